"""The invented maker's half year: its shop, its chance, its faults, and the files it leaves."""
