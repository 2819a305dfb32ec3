"""What was measured: files of any common format in, checked tables in metres out."""
