"""The work folder: files that are there whole or not at all, and the processes that write them."""
