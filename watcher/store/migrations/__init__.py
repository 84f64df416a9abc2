"""The steps from one schema to the next, run by `watcher.store.schema`."""
