"""What tables look like: every column once, with its meaning, unit and rule. Nothing here reads, computes or draws."""
