"""The command line: one file a command. It parses, calls and prints; it computes nothing."""
