"""The site: published tables in, pages out. `build` is what callers use; the rest is the package's own."""

from reports.site.assembly import PAGES, build
