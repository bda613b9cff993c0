"""From beliefs to a plan: which alterations this round, how much, in what order, what to leave alone and why."""
