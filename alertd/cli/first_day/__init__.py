"""A settings folder of one's own, and examples of every file that it holds."""
