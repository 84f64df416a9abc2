"""From the texts of an archive to columns: blocks decoded by several processes, each kept under its content."""
