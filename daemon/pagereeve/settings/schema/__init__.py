"""JSON Schemas (draft 2020-12): of the settings, made from their model; and the list of all that there are."""
