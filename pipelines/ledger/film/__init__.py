"""From readings to films: statements beside the steps that SQL says badly."""
