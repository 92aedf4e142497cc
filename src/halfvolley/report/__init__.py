"""Results as maps, pictures and video."""
