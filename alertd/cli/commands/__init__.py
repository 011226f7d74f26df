"""One module for each command: its arguments, options and help; imported when the command runs."""
