"""``python -m trialkit``: the command line where its script is not on the path."""

from trialkit.cli import main

if __name__ == "__main__":
    main()
