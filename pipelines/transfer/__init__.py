"""The transfer model: from closed equations between film and solids to what each gun and each pair of hands lands.

Frames in, frames out: nothing here knows a path, a database or Dagster. `estimate.estimate` is the door.
"""
