"""Inbox to typed event tables and refused rows: pure functions, no Dagster, nothing is written.

reading/            one file: bytes, text, layout, cells as typed values, the rows that validate.py lets through
recognising/        finding out how a shop's own exports map to the tables, before any layout is written
bringing_together/  all files: which row is in force, what rows must satisfy together, what is doubtful
messages.py         everything intake says to a shop
check_notes.py, register_templates.py, workbooks_to_fill.py   what `check`, `init` and `registers` write for people
"""
