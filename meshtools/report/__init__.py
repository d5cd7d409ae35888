"""Pages, pictures and indexes made from records."""
