"""Pages of the report: material in, a section with its finding as title out."""
