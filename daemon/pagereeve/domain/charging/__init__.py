"""From a stretch to charges and balanced postings."""
