"""JSON Schemas (draft 2020-12) of the data of events and of facts, made from their codecs."""
