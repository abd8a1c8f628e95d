"""One file: its bytes, its text, its cells as typed values, and the layout that says what they are.

files.py          a path inside the workspace, and the bytes there
text.py           bytes -> rows of text with physical line numbers; spreadsheets.py: what a workbook's reader does not tell
table_of_file.py  which table, or which layout, a file belongs to
layout.py         the layouts a shop writes for its exports; layout_reference.py writes their reference
mapped_rows.py    a layout's rules applied: rows of text in the columns of our tables
cast.py           text -> typed values, every failure a reason
read.py           all of them for one file, and validation
"""
