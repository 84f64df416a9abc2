"""Two rulebooks held against each other over the same archive."""
