"""Raw truth: chunks of octets with times and line-error marks, and the files they are kept in."""
