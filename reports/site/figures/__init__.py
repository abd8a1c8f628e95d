"""Figures: values in, plotly figures or SVG out. Nothing here reads a table or writes a page."""
