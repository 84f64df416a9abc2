"""The exact path of a replay: the reports of each station heard again by the judgement itself."""
