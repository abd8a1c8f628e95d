"""Hand-outs: the environmental record of one period for whoever asks for it, as a workbook, as CSV and as a page to print.

Pure and repeatable: frames in, bytes out, and the same frames give the same bytes. Nobody who works in the shops is named
in any of them: training is told by counts. Here belongs what a hand-out says; the figures themselves come from the ledger,
and where files go is the caller's business. What is named here is what callers use; the rest is the package's own.
"""

from reports.handouts.annex import PEOPLE
from reports.handouts.cells import csv_of
from reports.handouts.differences import is_closed, record
from reports.handouts.environmental_record import RECORD, TABLES, build, files
from reports.handouts.periods import Period, PeriodError, latest, period, rolling
from reports.handouts.printed import page
from reports.handouts.sheets import Handout
from reports.handouts.workbook import xlsx
