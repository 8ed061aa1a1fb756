"""What answers are made of, as OpenAPI describes it; a module for each thing that is asked of."""
