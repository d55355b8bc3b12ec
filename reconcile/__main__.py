"""``python -m reconcile`` is the ``reconcile`` command."""

from reconcile.cli import main

if __name__ == "__main__":
    main()
