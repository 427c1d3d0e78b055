"""Several links of one site: where on a chain damage enters."""
