"""What people are asked, and what they scan: the lines of standard input."""
