"""The steps that make the tables, oldest first; a step that was released is never changed."""
