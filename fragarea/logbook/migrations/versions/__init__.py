"""One file a version; a shipped one never changes."""
