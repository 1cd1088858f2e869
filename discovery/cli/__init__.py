"""The command line: one file per command. Nothing else in the package prints."""
