"""What all tests share. Nothing here touches the network or a folder outside pytest's own."""

import pipelines  # noqa: F401  before numpy: it says how many threads BLAS may start
