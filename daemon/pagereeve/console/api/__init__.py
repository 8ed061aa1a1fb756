"""The query API under /v1: questions with GET, answered as JSON (OpenAPI 3.1)."""
