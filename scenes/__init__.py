"""Engine folders (TOML, data only) and the one reader of them."""
