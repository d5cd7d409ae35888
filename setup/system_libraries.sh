#!/bin/sh
# The system libraries that open3d and pymeshlab load; `browser` adds Chromium for the tests of the pages.
# Installed where that is allowed (root or sudo without a password), otherwise named with the command.
set -eu
wanted="libusb-1.0-0 libegl1 libgl1 libgomp1 libopengl0"
[ "${1:-}" = browser ] && wanted="chromium"
missing=""
for package in $wanted; do
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q "ok installed" || missing="$missing $package"
done
[ -z "$missing" ] && exit 0
if [ "$(id -u)" = 0 ]; then
    run=""
elif sudo -n true 2>/dev/null; then
    run="sudo"
else
    if [ "${1:-}" = browser ]; then
        echo "The browser tests will be skipped; to run them: sudo apt-get install --no-install-recommends$missing" >&2
        exit 0
    fi
    echo "Some system libraries are missing and may not be installed by this user; run: sudo apt-get install --no-install-recommends$missing" >&2
    exit 1
fi
echo "Installing system libraries:$missing"
$run apt-get update -qq
# shellcheck disable=SC2086
DEBIAN_FRONTEND=noninteractive $run apt-get install -y -qq --no-install-recommends $missing >/dev/null
