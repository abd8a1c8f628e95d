"""The ledger: from event tables to cups, film increments, closed equations and where every gram went.

One SQL statement a file, the file's name is its table; runner.py finds the order from the SQL itself, so that a folder says
only what a table is about: cups/ (what was mixed and sprayed), film/ (readings to closed equations), guns/ (how each is
used), emissions/, compliance/ (limits, permits, rules of shops) and costs/ (where each gram and its price went). What SQL
says badly is Python: graph.py (cups poured into cups, equations that hang together) and the modules in film/. No files are
read or written here.
"""
