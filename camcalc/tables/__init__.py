"""Spark tables: read, looked up, shaped, written back."""

from .shaping import ShapedTable, add_back, shape_table
from .table import SparkTable, read_table

__all__ = ["ShapedTable", "SparkTable", "add_back", "read_table", "shape_table"]
