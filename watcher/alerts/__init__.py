"""The judgement: episodes, events, and whom to tell. Pure."""
