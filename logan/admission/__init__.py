"""What a drive may be used for: the one reader of flags, grades and refusals between its data and every result."""
