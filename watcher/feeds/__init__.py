"""Where reports come from."""
