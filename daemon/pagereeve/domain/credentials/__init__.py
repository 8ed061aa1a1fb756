"""Who may do what: the acts that a credential allows, and for whom it may speak."""
