"""``python -m edgeinspect``."""

from edgeinspect.cli import main

if __name__ == "__main__":  # the worker process imports this module again
    main()
