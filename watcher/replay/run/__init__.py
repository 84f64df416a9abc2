"""A whole replay, from what was asked to all that is answered: exactly, or by columns."""
