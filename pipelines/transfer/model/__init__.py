"""From closed equations to what each gun and each pair of hands lands, with intervals."""
