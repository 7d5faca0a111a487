"""Parts a person can buy or already owns: series, shelf, joined pieces, allocation."""
