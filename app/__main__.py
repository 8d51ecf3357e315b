"""`python -m shimwright`."""

from shimwright.cli import main

if __name__ == "__main__":
    main()
