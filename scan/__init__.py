"""What the horse is: from a scan or a tracing to a measured `Back`."""
