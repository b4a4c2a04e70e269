"""Facts shared by the writer and the reader of a format, cited."""
