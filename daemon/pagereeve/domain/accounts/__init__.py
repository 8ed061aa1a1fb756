"""What is owed: periods, cost centres, totals, and where each printer's pages went."""
