"""The document of one flight and what the window draws of it: values, edits, undo, recomputing, storage. No Qt."""
