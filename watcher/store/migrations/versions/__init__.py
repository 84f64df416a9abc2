"""One file for each revision. The last one is named in `watcher.store.schema.REVISION`."""
