"""What stands side by side on every sheet: the saddle as found and with the set-up, once where nothing changes."""

from shimwright.optimize.answer import Contact, Fit


def before_and_after(fit: Fit) -> list[tuple[str, Contact]]:
    """(name, contact): one or two entries."""
    if fit.with_setup is None:
        return [("as found", fit.as_found)]
    if nothing_changes(fit):
        return [("as found, and stays so", fit.with_setup)]
    return [("as found", fit.as_found), ("with the set-up", fit.with_setup)]


def nothing_changes(fit: Fit) -> bool:
    """The answer is what the horse wears already."""
    return fit.setup is not None and fit.setup == fit.as_found.setup


def changed(fit: Fit) -> Contact | None:
    """The set-up's contact where it differs from what was found."""
    return None if nothing_changes(fit) else fit.with_setup
