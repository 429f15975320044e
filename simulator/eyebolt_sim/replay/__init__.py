"""A recorded session played once more, against a live daemon or in process, and compared with its record."""
