"""Print the Debian packages that Qt and the tests of the window need and this system lacks.

Asks the loader (`ldd`) which libraries of the installed Qt plug-ins are not found, and looks up the package
of each in the table below. Prints package names, nothing where all is there.
"""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
from pathlib import Path

PACKAGES = {
    "libEGL.so": "libegl1",
    "libGL.so": "libgl1",
    "libGLX.so": "libglx0",
    "libOpenGL.so": "libopengl0",
    "libX11.so": "libx11-6",
    "libX11-xcb.so": "libx11-xcb1",
    "libdbus-1.so": "libdbus-1-3",
    "libfontconfig.so": "libfontconfig1",
    "libfreetype.so": "libfreetype6",
    "libglib-2.0.so": "libglib2.0-0",
    "libgthread-2.0.so": "libglib2.0-0",
    "libgobject-2.0.so": "libglib2.0-0",
    "libpulse.so": "libpulse0",
    "libpulse-mainloop-glib.so": "libpulse-mainloop-glib0",
    "libxkbcommon.so": "libxkbcommon0",
    "libxkbcommon-x11.so": "libxkbcommon-x11-0",
    "libxcb.so": "libxcb1",
    "libxcb-cursor.so": "libxcb-cursor0",
    "libxcb-glx.so": "libxcb-glx0",
    "libxcb-icccm.so": "libxcb-icccm4",
    "libxcb-image.so": "libxcb-image0",
    "libxcb-keysyms.so": "libxcb-keysyms1",
    "libxcb-randr.so": "libxcb-randr0",
    "libxcb-render.so": "libxcb-render0",
    "libxcb-render-util.so": "libxcb-render-util0",
    "libxcb-shape.so": "libxcb-shape0",
    "libxcb-shm.so": "libxcb-shm0",
    "libxcb-sync.so": "libxcb-sync1",
    "libxcb-util.so": "libxcb-util1",
    "libxcb-xfixes.so": "libxcb-xfixes0",
    "libxcb-xkb.so": "libxcb-xkb1",
}
PROGRAMS = {"Xvfb": "xvfb", "xdotool": "xdotool"}
PARTS = (
    "Qt/plugins/platforms/libqxcb.so",
    "Qt/plugins/platforms/libqoffscreen.so",
    "Qt/plugins/xcbglintegrations/libqxcb-glx-integration.so",
    "Qt/lib/libQt6Widgets.so.6",
    "Qt/lib/libQt6Multimedia.so.6",
    "Qt/lib/libQt6Svg.so.6",
    "Qt/lib/libQt6PrintSupport.so.6",
)


def missing_libraries(root: Path) -> set[str]:
    """Names of shared libraries that the loader does not find for Qt's parts under `root`."""
    missing = set()
    for part in PARTS:
        path = root / part
        if not path.exists():
            continue
        listing = subprocess.run(["ldd", str(path)], capture_output=True, text=True, check=False).stdout
        missing |= {line.split()[0] for line in listing.splitlines() if "not found" in line}
    return missing


def main() -> None:
    """Print the packages, separated by blanks."""
    spec = importlib.util.find_spec("PySide6")
    packages = {package for program, package in PROGRAMS.items() if shutil.which(program) is None}
    if spec is not None and spec.submodule_search_locations and shutil.which("ldd"):
        for library in missing_libraries(Path(spec.submodule_search_locations[0])):
            stem = library.split(".so")[0] + ".so"
            if stem in PACKAGES:
                packages.add(PACKAGES[stem])
    if shutil.which("fc-list") is None and not any(Path("/usr/share/fonts").glob("**/*.ttf")):
        packages.add("fonts-dejavu-core")
    print(" ".join(sorted(packages)))


if __name__ == "__main__":
    main()
