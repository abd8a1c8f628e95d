"""The transfer model: from closed equations between film and solids to what each gun and each pair of hands lands.

solver/ knows linear mixed models and nothing of paint; model/ makes them from records and says what they mean; decisions/
makes of it what somebody does on Monday. Frames in, frames out: nothing here knows a path, a database or Dagster. What others
call: model/estimate.py and decisions/decision_tables.py.
"""
