"""One customer's machine on the bench, from intake to handover."""
