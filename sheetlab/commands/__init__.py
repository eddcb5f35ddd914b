"""What each command of the command line asks for and does."""
