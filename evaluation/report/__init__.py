"""The report: sections of words, tables and figures, and the page that holds them."""
