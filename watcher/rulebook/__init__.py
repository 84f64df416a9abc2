"""Facts, the condition tree, its evaluation and its reasons. Pure."""
