#!/usr/bin/env bash
# Fuzzes for about so many seconds a target: all targets, or with "quick" only those
# that need neither OpenCV nor SQLite, which would be compiled anew for it.
#
#	scripts/fuzz.sh SECONDS [quick]
#
# The end is a count of runs, not a time: Go 1.26 may report the end of the time as a
# failure of the target ("context deadline exceeded", go.dev/issue/75804, mended in 1.27).
set -euo pipefail
cd "$(dirname "$0")/.."
seconds=$1
. scripts/lean-link.sh
tags=()
if pkg-config --exists sqlite3 2>/dev/null; then tags=(-tags libsqlite3); fi

# fuzz PACKAGE TARGET RUNS: runs are those that one second held on two cores.
fuzz() {
	echo "$2 in $1, $(($3 * seconds)) runs"
	go test "${tags[@]}" -run '^$' -fuzz "^$2\$" -fuzztime "$(($3 * seconds))x" -fuzzminimizetime 10x "./$1"
}
fuzz internal/heif FuzzInspect 8000
fuzz internal/colour FuzzReadProfile 10000
fuzz internal/bundle FuzzOpen 3000
fuzz internal/bundle FuzzManifest 4000
fuzz classify FuzzDecode 4000
if [ "${2:-}" = quick ]; then exit; fi
fuzz vision FuzzHeader 3000
fuzz vision FuzzStrip 4000
fuzz internal/collection FuzzImport 100
fuzz internal/collection FuzzTable 5000
fuzz internal/refset FuzzReadNotes 25000
fuzz internal/web FuzzUpload 200
