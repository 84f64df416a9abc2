"""What was told, measured against what the same reports tell afterwards: scores, each with its interval."""
