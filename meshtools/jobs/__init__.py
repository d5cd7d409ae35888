"""Jobs: each reads what its plain dict names, runs one stage, writes the results and, last, its record."""
