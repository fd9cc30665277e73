"""A question as it is asked, answered: the rooms below put together, for commands and notebooks alike."""
