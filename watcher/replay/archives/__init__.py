"""Archives of report texts, whatever their form: their files, block by block, down to each text and what dates it."""
