#!/bin/sh
# Installs what the build needs and this machine lacks; where nothing is lacking
# it does nothing, in a few milliseconds. Run by make before every build. With
# TAWSIGHT_CI=1 or CI=true in the environment also the data of OpenCV's
# documentation, which some tests skip without.
set -eu

say() { printf 'setup: %s\n' "$*" >&2; }
stop() { say "$@"; exit 1; }
have() { command -v "$1" >/dev/null 2>&1; }

needs='OpenCV 4 and (on Linux) libjpeg-turbo with their headers, pkg-config, a C++ compiler, and Go 1.21 or newer'

have go || stop "Go is not installed. Get it from your system's packages or from the Go project; 1.21 or newer fetches by itself the version this project names."
# Go before 1.21 can neither read this project's go.mod nor fetch a newer Go.
minor=$(go env GOVERSION 2>/dev/null | sed -n 's/^go1\.\([0-9][0-9]*\).*/\1/p')
if [ -n "$minor" ] && [ "$minor" -lt 21 ]; then
	stop "Go 1.$minor is too old: 1.21 or newer is needed, which fetches by itself the version this project names."
fi

packages=
have pkg-config || packages="$packages pkg-config"
have g++ || have c++ || have clang++ || packages="$packages g++"
if ! have pkg-config || ! pkg-config --exists opencv4; then
	packages="$packages libopencv-dev"
fi
# OpenCV's headers bring it on Debian and Ubuntu.
if [ "$(uname -s)" = Linux ] && { ! have pkg-config || ! pkg-config --exists libjpeg; }; then
	packages="$packages libjpeg-dev"
fi

data=/usr/share/doc/opencv-doc/examples/data/left_intrinsics.yml
ci=no
if [ "${TAWSIGHT_CI-}" = 1 ] || [ "${CI-}" = true ]; then
	ci=yes
fi
if [ $ci = yes ] && [ ! -e "$data" ] && [ ! -e "$data.gz" ]; then
	packages="$packages opencv-doc"
fi
# Wanted, but nothing fails for want of it (see lean-link.sh), so it is tried once.
wanted=
tried=bin/.lld-tried
if ! have ld.lld && [ "$(uname -s)" = Linux ] && have apt-get && { [ -n "$packages" ] || [ "$(id -u)" -eq 0 ]; } && [ ! -e $tried ]; then
	wanted=' lld'
fi
[ -n "$packages$wanted" ] || exit 0

have apt-get || stop "this machine lacks:$packages (named as on Debian). Install $needs with your system's package manager (on macOS: brew install opencv pkg-config; on Fedora: sudo dnf install opencv-devel libjpeg-turbo-devel pkgconf gcc-c++ lld), then run this again."

as_root=
if [ "$(id -u)" -ne 0 ]; then
	have sudo || stop "this machine lacks:$packages. Ask somebody who may install software to run: apt-get install$packages"
	as_root=sudo
fi
say "installing$packages$wanted (once; this can take some minutes)"
# A package list that cannot be refreshed need not stop the installation.
$as_root apt-get update -q || say "the package lists could not be refreshed; going on with those there are"
# Small images of Debian leave documentation out; the test data counts as such.
install() {
	$as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends \
		-o 'Dpkg::Options::=--path-include=/usr/share/doc/opencv-doc/*' "$@"
}
if [ -n "$wanted" ]; then
	mkdir -p bin && : >$tried
	# shellcheck disable=SC2086 # a list
	install $wanted || say "going on without$wanted: programs will start more slowly"
fi
if [ -n "$packages" ]; then
	# shellcheck disable=SC2086 # a list
	install $packages || stop "apt-get could not install:$packages. Its messages above say why; then run this again."
fi

pkg-config --exists opencv4 || stop "OpenCV is installed, but pkg-config does not find it as opencv4: needed is $needs."
