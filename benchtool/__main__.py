"""`python -m benchtool` is the same as `benchtool`."""

from benchtool.commands.main import run

if __name__ == "__main__":
    run()
