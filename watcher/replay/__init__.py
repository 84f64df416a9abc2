"""Archives through the same decoder, facts, rules and episodes: what these rules would have told last winter."""
