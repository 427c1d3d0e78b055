"""Several links at once: the plan of a site, its links watched together, where a damage enters."""
