#!/bin/sh
# Writes what workers of some engines may ask the broker for: to look at their
# own two consumers, take rings from them, answer for those, and tell news.
#
#	deploy/nats/durables.sh ENGINE… > worker-durables.conf
#	nats-server --signal reload
#
# An engine is 8 characters of a-z 0-9. A worker says its own when it starts,
# and ends with an error that names it while it is not among them: what it was
# refused is evt.<engine> or $JS.API.CONSUMER.INFO.JOBS.<engine>-rush. While
# workers are upgraded, name the old engine and the new one.
set -eu
LC_ALL=C
for engine; do
	case $engine in
	*[!a-z0-9]* | ????????*?) ;;
	????????) continue ;;
	esac
	echo "durables.sh: \"$engine\" is no engine: 8 characters of a-z 0-9" >&2
	exit 2
done
echo "# Written by: durables.sh${*:+ $*}"
echo "WORKER_MAY: ["
[ $# -gt 0 ] || echo '  "none" # no engine yet; an empty list would allow everything'
for engine; do
	for durable in "$engine-rush" "$engine-overnight"; do
		printf '  "%s"\n' "\$JS.API.CONSUMER.INFO.JOBS.$durable" "\$JS.API.CONSUMER.MSG.NEXT.JOBS.$durable" "\$JS.ACK.JOBS.$durable.>"
	done
	printf '  "%s"\n' "evt.$engine"
done
echo "]"
