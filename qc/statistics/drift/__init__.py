"""Whether the level of batch means has moved: `level`, with its `baseline`."""
