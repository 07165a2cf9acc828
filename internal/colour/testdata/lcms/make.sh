#!/bin/sh
# Makes lab.csv anew: Lab under D50 of the test's colours through the test's
# profiles by Little CMS. Needs transicc (Debian: liblcms2-utils). Run it from
# this directory.
set -e
dir=$(mktemp -d)
(cd ../.. && PROFILES_DIR=$dir go test -count=1 -run TestWriteProfiles . >/dev/null)
echo "profile,r,g,b,L,a,b_" >lab.csv
rm "$dir"/table-v2.icc # which is for refusing
for p in "$dir"/*.icc; do
	name=$(basename "$p" .icc)
	while read -r r g b; do
		case $name in
		grey-*)
			[ "$r" = "$g" ] && [ "$g" = "$b" ] || continue
			in=$g
			;;
		*) in="$r $g $b" ;;
		esac
		scaled=$(echo "$in" | awk '{for (i = 1; i <= NF; i++) printf "%.6f ", $i * 2.55}')
		lab=$(echo "$scaled" | tr ' ' '\n' | transicc -n -t1 -c0 -i "$p" -o "*Lab" 2>/dev/null | awk '{print $1 "," $2 "," $3}')
		echo "$name,$r,$g,$b,$lab" >>lab.csv
	done <"$dir/chart.txt"
done
rm -r "$dir"
