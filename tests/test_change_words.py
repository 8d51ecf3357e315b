"""What stayed within its error is named once, with its side where only that one stayed."""

from types import SimpleNamespace

from shimwright.export.change_words import change_rows
from shimwright.scan.change import Changed

NAN = float("nan")


def test_every_measure_that_stayed_is_named_once():
    places = [
        Changed("front filled", "mm", NAN, "left", 4.0, 1.0, True),
        Changed("front filled", "mm", NAN, "right", 0.2, 1.0, False),
        Changed("angle below horizontal", "°", -100.0, "left", 0.1, 0.2, False),
        Changed("width 100 mm down", "mm", -100.0, "none", 0.3, 1.6, False),
        Changed("angle below horizontal", "°", -250.0, "right", 0.1, 0.3, False),
        Changed("width 100 mm down", "mm", -250.0, "none", 0.3, 2.0, False),
    ]
    beyond, same = change_rows(SimpleNamespace(places=places))
    assert [row[0] for row in beyond] == ["front left, filled"]
    assert same == [
        "front right (error ± 1 mm)",
        "angle below horizontal (error ± 0.3°)",
        "width 100 mm down (error ± 2 mm)",
    ]
