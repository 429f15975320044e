"""The station file and the lens file as typed values, from text. Nothing here reads a file."""
