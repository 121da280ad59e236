"""Analysis to a Document, and the Document to files."""
