#!/usr/bin/env bash
# Proves the container's tree without a container's runtime: starts it by the settings of the Dockerfile as the first process of a
# system of its own (root folder, processes, mounts, network), with everything read-only but what a container is given, takes a
# trial in, asks a question from outside the tree, and ends it. Needs root, for the namespaces and the image's user.
set -euo pipefail
cd "$(dirname "$0")/../.."
fail() { printf 'FAILED: %s\n' "$1" >&2; [ ! -f "${log:-/nonexistent}" ] || tail -n 40 "$log" >&2; exit 1; }
[ "$(id -u)" = 0 ] || fail "proving the tree needs root"
for program in unshare nsenter chroot ip; do command -v "$program" >/dev/null || fail "$program is missing"; done

chroot=$(command -v chroot) # by its path, since the tree's programs get an environment without one
work=$(mktemp -d /tmp/cvtree-XXXXXX)
tree=$work/tree
log=$work/log
outer=
first=
finish() {
  # The first process by itself too: its change of user takes away that it would end with its parent. All others end with it.
  [ -z "$first" ] || kill -KILL "$first" 2>/dev/null || true
  [ -z "$outer" ] || { kill -KILL "$outer" 2>/dev/null || true; wait "$outer" 2>/dev/null || true; }
  rm -rf "$work"
}
trap finish EXIT
chmod 0755 "$work"
deploy/container/tree.sh "$tree"

# What the image is told, from the Dockerfile itself.
dockerfile=deploy/container/Dockerfile
mapfile -t environment < <(sed -n 's/^ENV //p' "$dockerfile")
user=$(sed -n 's/^USER //p' "$dockerfile")
words() { sed -n "s/^$1\[\(.*\)\]\$/\1/p" "$dockerfile" | tr -d '",'; } # a list of words without spaces
read -ra entry < <(words 'ENTRYPOINT ')
read -ra command < <(words 'CMD ')
read -ra healthcheck < <(words 'HEALTHCHECK .*CMD ')
[ ${#environment[@]} -gt 0 ] && [ -n "$user" ] && [ ${#entry[@]} = 1 ] && [ ${#command[@]} -gt 0 ] && [ ${#healthcheck[@]} = 2 ] || fail "the Dockerfile isn't written as this script reads it"
sed -n 's/^COPY --chown=\([0-9:]*\) --chmod=\([0-7]*\) [^ ]* \(.*\)$/\1 \2 \3/p' "$dockerfile" | while read -r owner mode path; do
  chown "$owner" "$tree$path" && chmod "$mode" "$tree$path"
done

# What a container is given around the tree.
cat >"$work/start" <<'START'
set -eu
tree=$1 user=$2
shift 2
ip link set lo up
mount --bind "$tree" "$tree"
mount -t proc proc "$tree/proc"
: >>"$tree/dev/null"
mount --bind /dev/null "$tree/dev/null"
mount -t tmpfs -o mode=1777 tmpfs "$tree/tmp"
mount -t tmpfs -o "mode=0700,uid=${user%%:*},gid=${user##*:}" tmpfs "$tree/run/commonvat"
mount --bind "$tree/data" "$tree/data"
mount -o remount,bind,ro "$tree"
exec env -i "$@"
START
container=(unshare --mount --net --pid --fork --kill-child sh "$work/start" "$tree" "$user" "${environment[@]}" "$chroot" --userspec="$user" "$tree")
inside() { "${container[@]}" "$@"; }

# As the steward of the cooperative does it, by the tree's own program.
modules=("$tree"/modules/*)
inside "${entry[@]}" module install "${modules[@]#"$tree"}" --data /data >/dev/null
inside "${entry[@]}" member add ash --data /data --token-file /data/ash.token
install -m 0600 "$tree/data/ash.token" "$work/token"
(cd "$work" && go run "$(go env GOROOT)/src/crypto/tls/generate_cert.go" --host 127.0.0.1,localhost --ca --duration 1h >/dev/null 2>&1) || fail "no certificate could be made"
install -m 0444 "$work/cert.pem" "$tree/tls/cert.pem"
install -m 0400 -o "${user%%:*}" "$work/key.pem" "$tree/tls/key.pem"
CGO_ENABLED=0 go build -o "$work/commonvat" ./clients/commonvat

if inside "${healthcheck[@]}" >/dev/null 2>&1; then fail "the health check says that a core serves before there is one"; fi

"${container[@]}" "${entry[@]}" "${command[@]}" >"$log" 2>&1 &
outer=$!
for _ in $(seq 300); do
  first=$(cat "/proc/$outer/task/$outer/children" 2>/dev/null | tr -d ' ')
  if [ -n "$first" ] && grep -q '"msg":"ready"' "$log"; then break; fi
  kill -0 "$outer" 2>/dev/null || fail "the core ended before it was ready"
  sleep 0.1
done
grep -q '"msg":"ready"' "$log" || fail "the core is not ready"
network() { nsenter --target "$first" --net -- "$@"; }

grep -q "^Uid:[[:space:]]*${user%%:*}[[:space:]]" "/proc/$first/status" || fail "the core doesn't run as the image's user"
network env -i "${environment[@]}" "$chroot" --userspec="$user" "$tree" "${healthcheck[@]}" | grep -qx SERVING || fail "the health check of the image"
if network env -i "${environment[@]}" "$chroot" --userspec="$user" "$tree" "${entry[@]}" healthcheck --address 127.0.0.1:7730 >/dev/null 2>&1; then
  fail "members' address answers without TLS"
fi
network env -i "${environment[@]}" "$chroot" --userspec="$user" "$tree" "${entry[@]}" doctor >"$work/doctor" 2>&1 || { cat "$work/doctor" >&2; fail "the doctor finds faults"; }
grep -Eq '^core +ok +runs and serves' "$work/doctor" || { cat "$work/doctor" >&2; fail "the doctor doesn't find the core"; }
client() { network env -i HOME="$work" COMMONVAT_SERVER=127.0.0.1:7730 COMMONVAT_TOKEN_FILE="$work/token" "$work/commonvat" --ca-file "$work/cert.pem" "$@"; }
client trial submit testdata/examples/two-orders.yaml >/dev/null || fail "a trial could not be sent"
client trial share 019df400-0000-7000-8000-000000000001 --level cooperative >/dev/null || fail "a trial could not be shared"
for _ in $(seq 100); do
  answer=$(client palette --by order 2>"$work/notes") && break
  sleep 0.2
done
grep -q 'palette-width' <<<"$answer" || fail "the question was not answered by a module: $answer"
head -n 1 <<<"$answer"

space=$(readlink "/proc/$first/ns/pid" | tr -dc 0-9)
inhabitants() { find /proc -maxdepth 3 -path '/proc/[0-9]*/ns/pid' -lname "pid:?$space?" 2>/dev/null || true; }
[ "$(inhabitants | wc -l)" -ge 6 ] || fail "fewer processes run than the first, the core and its four modules"
kill -TERM "$first"
code=0
wait "$outer" || code=$?
outer='' first=''
[ "$code" = 0 ] || fail "the core ended with $code"
grep -q '"msg":"stopped"' "$log" || fail "the core did not end in order"
[ -z "$(inhabitants)" ] || fail "processes are left"
sed -n 's/^/  /p' < <(du -sh --apparent-size "$tree/commonvatd" "$tree/modules" | sed "s|$tree||")
echo "the tree of the image serves as the first process, read-only, as user $user, and leaves nothing"
