"""What answers consist of, as OpenAPI says it: the JSON that commands print, member for member."""
