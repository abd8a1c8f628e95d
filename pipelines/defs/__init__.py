"""The Dagster graph: every table an asset, thin around intake, ledger, transfer and reports. No computing here."""
