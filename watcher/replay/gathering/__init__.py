"""From archives to partitions of whole stations, with a count of all that was read and of all that was not taken."""
