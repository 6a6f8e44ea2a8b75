"""Long work as steps with progress and cancel: load, analyse, cache, render."""
