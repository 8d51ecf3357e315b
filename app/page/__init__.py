"""The fitting page: a small server on this computer, and what the browser shows (static/)."""
