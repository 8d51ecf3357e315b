"""What workshop and owner receive: data files, drawings, sheets."""
