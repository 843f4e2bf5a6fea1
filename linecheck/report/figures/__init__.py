"""What is drawn: figures as data, drawn to SVG and PNG, and the table that stands behind each of them."""
