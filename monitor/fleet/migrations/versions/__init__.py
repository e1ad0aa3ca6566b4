"""One file a step; a step that has been released is never changed."""
