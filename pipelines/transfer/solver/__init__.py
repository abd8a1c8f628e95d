"""Linear mixed models: equations, variances, what can be told apart. Nothing of paint is in it."""
