"""A module for each thing that can be asked of; ``application.py`` lists them."""
