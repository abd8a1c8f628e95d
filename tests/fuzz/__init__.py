"""Fuzzing of the readers: random bytes in, no crash, no lost row."""
