"""What a board is, finding it in a picture, how well it was seen, and drawing it."""
