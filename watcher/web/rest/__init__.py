"""The resources of the API, a file for each; contracts as the commands print them."""
