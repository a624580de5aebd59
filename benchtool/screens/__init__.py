"""Live screens: what a person looks at while a bus is heard. State is pure; only the app files touch a terminal."""
