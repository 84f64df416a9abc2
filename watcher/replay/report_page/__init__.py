"""The report of a replay as one page of HTML, with drawings, that needs nothing else."""
