"""Data that ships with the project: reference tables with their sources, and the invented business of the demo."""
