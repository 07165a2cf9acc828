#!/bin/sh
# Packs bin/tawsight into a Debian package, out/tawsight_VERSION_ARCH.deb, for the
# Debian or Ubuntu release that it was built on: it depends on that release's
# OpenCV. Run by make deb. nfpm is fetched and built by Go the first time.
set -eu
cd "$(dirname "$0")/.."

# The last version whose dependencies Go's module proxy serves whole.
nfpm=github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.43.0

stop() { printf 'deb: %s\n' "$*" >&2; exit 1; }
command -v dpkg >/dev/null 2>&1 || stop "this is not Debian or a kin of it (there is no dpkg), so there is nothing to pack for"
[ -x bin/tawsight ] || stop "there is no bin/tawsight: run make build first"

version=$(bin/tawsight version | sed -n 's/^tawsight //p')
arch=$(dpkg --print-architecture)

# The packages that hold the libraries the program names.
libraries=$(objdump -p bin/tawsight | awk '$1 == "NEEDED" { print $2 }')
depends=
for l in $libraries; do
	at=$(ldconfig -p | awk -v l="$l" '$1 == l { print $NF; exit }')
	[ -n "$at" ] || stop "the library $l was not found here"
	package=$(dpkg-query -S "$(realpath "$at")" "$at" "*/$l" 2>/dev/null | sed 's/[:,].*//' | sort -u | head -n 1)
	[ -n "$package" ] || stop "no package holds $l: was OpenCV built by hand?"
	depends="$depends
  - $package"
done
depends=$(printf '%s\n' "$depends" | sort -u)

mkdir -p out
cat >out/nfpm.yaml <<END
name: tawsight
version: "$version"
arch: $arch
platform: linux
section: graphics
priority: optional
maintainer: The makers of Tawsight <tawsight@localhost>
description: |
  Measures old machine-made glass marbles in photographs
  True size, colours and swirl features from photos, and each marble's likeness
  to your own labelled sets, with reasons and honest doubt.
depends:$depends
contents:
  - src: bin/tawsight
    dst: /usr/bin/tawsight
    file_info: {mode: 0755}
  - src: README.md
    dst: /usr/share/doc/tawsight/README.md
    file_info: {mode: 0644}
  - src: docs/*.md
    dst: /usr/share/doc/tawsight/
    file_info: {mode: 0644}
END
# The same program gives the same package.
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct 2>/dev/null || echo 0)
export SOURCE_DATE_EPOCH
rm -f "out/tawsight_${version}_$arch.deb"
go run "$nfpm" package --config out/nfpm.yaml --packager deb --target "out/tawsight_${version}_$arch.deb"
dpkg-deb --info "out/tawsight_${version}_$arch.deb" | sed -n 's/^ //p'
