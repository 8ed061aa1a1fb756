"""The machine itself: print engine, page counter, spool, page languages."""
