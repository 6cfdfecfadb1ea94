"""One module for each step; a step that has been released is never edited."""
