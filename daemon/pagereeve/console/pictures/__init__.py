"""Pictures as SVG, drawn here; what they show stands beside them in words and figures."""
