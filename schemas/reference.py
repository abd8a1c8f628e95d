"""The reference tables that ship with the project; every row says where it comes from and whether that was read."""

from __future__ import annotations

import pandera.polars as pa

REFERENCE: dict[str, pa.DataFrameSchema] = {}
