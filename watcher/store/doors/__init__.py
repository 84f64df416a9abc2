"""The store's doors: what each kind of user asks it, every method one short transaction."""
