"""What a measured driver can do and what to avoid."""
