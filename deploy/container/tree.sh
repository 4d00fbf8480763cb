#!/usr/bin/env bash
# Builds the file tree of the container image into a new folder: the core and its modules as static binaries, and the few files
# and folders that they need. The Dockerfile copies this tree and adds nothing; deploy/container/prove.sh runs it.
set -euo pipefail
[ $# = 1 ] || { echo "usage: $0 NEW-FOLDER" >&2; exit 2; }
[ ! -e "$1" ] || { echo "$0: $1 is there already" >&2; exit 2; }
mkdir -p "$1"
tree=$(cd "$1" && pwd)
cd "$(dirname "$0")/../.."

CGO_ENABLED=0 make -s build BIN="$tree" PROGRAMS=services/commonvatd

# dev and proc are for what the container's runtime puts there, tls for the certificate, run/commonvat for module sockets.
mkdir -p "$tree"/{data,dev,etc,proc,run/commonvat,sys,tls,tmp}
chmod 0700 "$tree/data" "$tree/run/commonvat"
chmod 1777 "$tree/tmp"
echo 'commonvat:x:10001:10001::/data:/nonexistent' >"$tree/etc/passwd"
echo 'commonvat:x:10001:' >"$tree/etc/group"
