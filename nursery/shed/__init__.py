"""How plugs move: the ledger, counts, vetoes, picks, parcels, passports, the whole story."""
