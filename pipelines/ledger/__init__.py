"""The ledger: from event tables to cups, film increments, closed equations and where every gram went.

One SQL statement a file, the file's name is its table; runner.py finds the order from the SQL itself. The two walks along
a graph (cups poured into cups, equations that hang together) are in graph.py. No files are read or written here.
"""
