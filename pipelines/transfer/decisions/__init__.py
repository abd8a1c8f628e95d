"""From figures to what somebody does on Monday: how much to mix, what would save, what to practise."""
