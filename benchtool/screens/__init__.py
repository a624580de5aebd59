"""Live screens: what a person looks at while a bus is listened to. State is pure; only the app files touch a terminal."""
