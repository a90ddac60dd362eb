#!/bin/sh
# System libraries that Qt's wheels expect, and what the tests drive. Debian/Ubuntu as root: installed. Elsewhere: one line.
set -eu
window="libglib2.0-0 libegl1 libgl1 libdbus-1-3 libfontconfig1 libxkbcommon0 libxcb-cursor0 libxcb-icccm4 libxcb-keysyms1 libxcb-shape0
 libxcb-xkb1 libxkbcommon-x11-0 libxcb-render-util0 libxcb-image0 libxcb-randr0 libxcb-sync1 libxcb-xfixes0 libxcb-render0 fonts-dejavu-core"
test="xvfb xauth poppler-utils chromium"
case "${1:-window}" in
  window) wanted="$window" ;;
  test) wanted="$window $test" ;;
  *) echo "usage: system_libraries.sh window|test" >&2; exit 2 ;;
esac

if ! command -v dpkg-query >/dev/null 2>&1; then
  case "$(uname -s)" in
    Linux) echo "If the window does not start, install your distribution's packages for: EGL, GL, D-Bus, fontconfig, xkbcommon, xcb-cursor and the xcb utilities." ;;
  esac
  exit 0
fi

missing=""
for package in $wanted; do
  # newer releases carry some of these under a t64 name
  dpkg-query -W -f='${Status}\n' "$package" "${package}t64" 2>/dev/null | grep -q "ok installed" || missing="$missing $package"
done
# Debian's own Python comes without what makes a virtual environment
python="${PYTHON:-python3}"
"$python" -c 'import ensurepip' 2>/dev/null || missing="$missing python$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')-venv"
[ -z "$missing" ] && exit 0
if [ "$(id -u)" -ne 0 ]; then
  echo "Missing system packages; to install them: sudo apt-get install --no-install-recommends$missing"
  exit 0
fi
echo "Installing system packages:$missing"
export DEBIAN_FRONTEND=noninteractive
apt-get update -qq
# shellcheck disable=SC2086
apt-get install -y -qq --no-install-recommends $missing >/dev/null
