"""Where messages go: what they say, the channels that carry them, and the sender that empties the outbox."""
