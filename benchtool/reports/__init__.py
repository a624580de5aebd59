"""What is printed, drawn or written for people."""
