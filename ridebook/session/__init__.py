"""The document: what the engineer decided, its edits, its history and its file."""
