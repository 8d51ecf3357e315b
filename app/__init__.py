"""shimwright: from a scan of a horse's bare back to arch, insert and shims."""

__version__ = "0.1.0"
