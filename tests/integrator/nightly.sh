#!/bin/sh
# Pull what was closed since the last time: nightly.sh http://127.0.0.1:8470 folder
# Keeps the latest revision of each shift as folder/LINE_DAY_SHIFT.json. Fails, and says so, when a shift that is
# over is not closed yet; run it again. After 410 (the book was restored from a backup) empty the folder first.
set -eu
base=$1 folder=$2
mkdir -p "$folder"
touch "$folder/next"
while :; do
    curl -fsS --get "$base/v1/statements" --data-urlencode "after=$(cat "$folder/next")" \
        -d require=closed -o "$folder/page" || exit 1
    jq -c '.items[]' "$folder/page" | while IFS= read -r statement; do
        name=$(printf '%s' "$statement" | jq -r '[.line, .plant_day, .shift] | map(@uri) | join("_")')
        printf '%s\n' "$statement" >"$folder/$name.json"
    done
    jq -j .next "$folder/page" >"$folder/next.new"
    mv "$folder/next.new" "$folder/next"
    [ "$(jq '.items | length' "$folder/page")" -gt 0 ] || break
done
