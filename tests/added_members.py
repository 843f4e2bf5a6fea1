"""Adding a member to a registry as a contributor does: by putting a file into its folder."""

import importlib
import sys
from contextlib import contextmanager


@contextmanager
def added_modules(folder, package, registry, **sources):
    """Put modules into a package, by name and text; ``registry`` is the function that finds members, and keeps them."""
    module = importlib.import_module(package)
    for name, source in sources.items():
        (folder / f"{name}.py").write_text(source, encoding="utf-8")
    paths = module.__path__
    module.__path__ = [*paths, str(folder)]
    importlib.invalidate_caches()
    registry.cache_clear()
    try:
        yield
    finally:
        module.__path__ = paths
        registry.cache_clear()
        for name in sources:
            sys.modules.pop(f"{package}.{name}", None)
            if hasattr(module, name):
                delattr(module, name)
