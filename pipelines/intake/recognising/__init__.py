"""Finding out how a shop's own exports map to the tables: all files of an inbox together, before any layout is written.

    opening.py    a file as sheets of text: header, marks, encoding, lines above, blocks, cells that repeat the one above
    columns.py    what the cells of one column look like: numbers, dates, unit, and the parts of texts that hold several ids
    shapes.py     files of one header are one shape; ids that join across shapes, and what they are ids of
    matching.py   one table against one shape: which column feeds which, with evidence
    proposals.py  layouts out of matches, what stays open, answers taken in
    questions.py  questions and answers as TOML
    adopt.py      a whole inbox: look, propose, ask, try out
    words.py      words in five languages

Pure below adopt.py: bytes in, text out. layout.py's own parser and read.py's reading have the last word on what is proposed.
"""
