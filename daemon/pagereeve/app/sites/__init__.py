"""The centre's side of sites that forward: who may, what is joined, and how far each is."""
