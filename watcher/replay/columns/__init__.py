"""Facts, rules and episodes over whole columns: the judgement's answers, for millions of reports at once."""
