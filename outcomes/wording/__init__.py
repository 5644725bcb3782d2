"""Every sentence shown to a person; numbers come in, text goes out."""
