"""The bench computer: takes runs of other computers, keeps a twin of each record, and shows all places on one page."""
