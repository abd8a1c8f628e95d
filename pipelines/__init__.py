"""What runs: intake, the ledger, the transfer model, and the Dagster graph and command that conduct them."""
