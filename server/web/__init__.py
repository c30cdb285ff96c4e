"""What a browser meets: one file a page, and who may come in. No rule of the loom is in here."""
