"""What the kept pairs know so far, how many more are wanted, and when it is enough. Pure."""
