"""The program's commands, a module each: what they ask for, and what they say. All computing is done elsewhere."""
