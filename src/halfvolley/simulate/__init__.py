"""Made footage with exact truth."""
