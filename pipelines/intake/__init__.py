"""Inbox to typed event tables and refused rows: pure functions, no Dagster, nothing is written.

files.py     which files there are, and their bytes
text.py      bytes -> rows of text with physical line numbers
layout.py    the layouts a shop writes for its exports
claim.py     which table, or which layout, a file belongs to
shape.py     a layout's rules applied: rows of text in the columns of our tables
cast.py      text -> typed values, every failure a reason
read.py      the five above for one file, and the door
merge.py     all files together: conflicts, duplicates, later exports
stages.py    numbers that need the other tables: weigh_no, after_operation, volumes, time zones
cross.py     what rows of several tables must satisfy together
messages.py  everything intake says to a shop
"""
