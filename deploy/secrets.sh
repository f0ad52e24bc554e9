#!/bin/sh
# Makes what no file here holds: passwords, keys and certificates for
# compose.yaml, in a new folder. It needs openssl and htpasswd (Debian's
# package apache2-utils).
#
#	deploy/secrets.sh DIR [DAYS]
#
# Keep the folder from version control and backups that others read. Whoever
# has an authority of their own takes its certificates instead: ca.pem signs the
# broker's servers, and whoever it signs may join their cluster.
set -eu
umask 077
dir=$1
days=${2:-825}
[ ! -e "$dir" ] || {
	echo "secrets.sh: $dir is there already" >&2
	exit 1
}
mkdir -p "$dir"
cd "$dir"

openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days "$days" -subj "/CN=chapterhouse authority" \
	-keyout ca-key.pem -out ca.pem 2>/dev/null
for host in nats-1 nats-2 nats-3 storage; do
	openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj "/CN=$host" -keyout "$host-key.pem" -out request.pem 2>/dev/null
	printf 'subjectAltName=DNS:%s,DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth,clientAuth\nbasicConstraints=CA:FALSE\n' "$host" >extensions
	openssl x509 -req -in request.pem -CA ca.pem -CAkey ca-key.pem -CAcreateserial -days "$days" -extfile extensions -out "$host.pem" 2>/dev/null
done
rm -f request.pem extensions ca.srl

secret() { openssl rand -hex 24 | tr -d '\n' >"$1"; }
for user in coordinator-1 coordinator-2 worker-1 worker-2 person metrics; do
	secret "$user.broker"
	# nats-server wants the letter of the first bcrypt; the hash is the same.
	hash=$(htpasswd -niB -C 11 "" <"$user.broker" | sed 's/^://; s/^\$2y\$/$2a$/')
	printf "%s_PASSWORD='%s'\n" "$(echo "$user" | tr a-z- A-Z_)" "$hash" >>nats.env
done
for role in coordinator worker person; do
	secret "$role.s3"
done
printf "ROOT_ACCESS_KEY_ID='owner'\nROOT_SECRET_ACCESS_KEY='%s'\n" "$(openssl rand -hex 24)" >s3.env
echo "secrets are in $dir"
