#!/bin/sh
# Installs what the tests of the page look at it with: Chromium from the
# system's packages, and axe-core, which checks a page against WCAG, from npm
# into out/npm (version and checksum are in internal/web/webtest). Where nothing
# is lacking it does nothing. Tests that need it skip without, and say so; with
# TAWSIGHT_CI=1 they fail.
set -eu
cd "$(dirname "$0")/.."

say() { printf 'browser: %s\n' "$*" >&2; }
stop() { say "$@"; exit 1; }
have() { command -v "$1" >/dev/null 2>&1; }

packages=
have chromium || have chromium-browser || packages="$packages chromium"
have npm || packages="$packages npm"
if [ -n "$packages" ]; then
	have apt-get || stop "this machine lacks:$packages (named as on Debian). Install them with your system's package manager, then run this again."
	as_root=
	if [ "$(id -u)" -ne 0 ]; then
		have sudo || stop "this machine lacks:$packages. Ask somebody who may install software to run: apt-get install$packages"
		as_root=sudo
	fi
	say "installing$packages (once; this can take some minutes)"
	$as_root apt-get update -q || say "the package lists could not be refreshed; going on with those there are"
	$as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $packages ||
		stop "apt-get could not install:$packages. Its messages above say why; then run this again."
fi

# The lock file is copied last: it stands for a whole installation.
from=internal/web/webtest
to=out/npm
if ! cmp -s $from/package-lock.json $to/installed.json; then
	mkdir -p $to
	cp $from/package.json $from/package-lock.json $to/
	npm ci --prefix $to --ignore-scripts --no-audit --no-fund --loglevel=error >&2 ||
		stop "npm could not install axe-core into $to. Its messages above say why; then run this again."
	cp $from/package-lock.json $to/installed.json
fi
