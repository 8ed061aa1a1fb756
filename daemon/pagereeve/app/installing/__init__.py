"""Printers added from the console's pages: looked at first, written beside the settings file, put in force."""
