#!/usr/bin/env bash
# Builds the container where there is neither a container engine nor an image registry, runs the demo in it as a user
# without a name, and compares all tables with those of a run outside. By hand, as root on Debian, some minutes:
#   apt-get install buildah debootstrap
#   .ci/container.sh [more options for `buildah build`, such as a volume with pip's own settings]
set -euo pipefail
cd "$(dirname "$0")/.."
# without an engine; the same arithmetic inside and outside (docs/cluster.md)
export STORAGE_DRIVER=vfs BUILDAH_ISOLATION=chroot OPENBLAS_CORETYPE=Haswell
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

debootstrap --variant=minbase --include=ca-certificates,python3,python3-venv bookworm "$work/base" >"$work/log"
base=$(buildah from scratch)
buildah add --quiet "$base" "$work/base" /
buildah commit --quiet --rm "$base" localhost/debian-python
buildah build --pull-never --build-arg BASE=localhost/debian-python --tag evenbore "$@" -f workflow/envs/Containerfile .

chmod 755 "$work"
for place in outside inside; do
    mkdir "$work/$place"
    cp -r config demo_recordings "$work/$place"
done
chown -R 1234:1234 "$work/inside"
python3 scripts/start.py run "$work/outside"
container=$(buildah from --pull-never evenbore)
buildah run --user 1234:1234 --env OPENBLAS_CORETYPE --volume "$work/inside:/study" "$container" -- \
    python -P -m evenbore.cli run /study
buildah rm "$container" >/dev/null
diff -r "$work/outside/results/tables" "$work/inside/results/tables"
echo "The tables are the same."
