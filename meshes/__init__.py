"""The invented yard: demo scans, saddles and pads, all made by the project itself."""
