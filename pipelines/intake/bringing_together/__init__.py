"""All files together: which row is in force, what rows must satisfy together, what is doubtful.

merge.py         conflicts, duplicates, later exports; calls the others
table_rows.py    one table meanwhile: its rows, what became of each, reasons
deleted.py       what a complete export says by leaving something out
filled_in.py     what needs the other tables: weigh_no, after_operation, volumes, time zones
cross_checks.py  what rows of several tables must satisfy together
doubts.py        rows that are used and yet doubtful; moves no number
implausible.py   the same of whole files: units, tare, mixing ratio, film per coat, areas
local_rules.py   rules of a place that the user adds beside those that ship
unknown_ids.py   ids that registers lack, all at once
"""
