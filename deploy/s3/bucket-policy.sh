#!/bin/sh
# Prints one bucket policy from the roles' policies beside this file: who bears
# which access key (or ARN) may do what in a bucket. It needs jq.
#
#	deploy/s3/bucket-policy.sh BUCKET[/PREFIX] ROLE=KEY… > policy.json
#	deploy/s3/bucket-policy.sh house coordinator=c1 worker=w1 worker=w2 person=p1
#
# worker       does jobs: reads what it is asked for, creates results, deletes nothing
# coordinator  decides: writes everything but audio, drops results that storage lost or damaged
# person       submits, watches, pushes the house, fetches; reads everything
#
# All of them may list names, else storage would say 403 for an object that is
# not there. Whoever runs `check --repair` uses the bucket owner's keys. Where
# the server gives policies to users instead of buckets, the files are used as
# they are, with BUCKET replaced. only-create.json, for servers that know
# s3:if-none-match, has results written once also by a process that was tampered
# with. lifecycle.json drops uploads that were never finished.
set -eu
here=$(dirname "$0")
[ $# -gt 1 ] || {
	echo "usage: bucket-policy.sh BUCKET[/PREFIX] ROLE=KEY…" >&2
	exit 2
}
place=$1
shift
for pair; do
	case $pair in
	worker=?* | coordinator=?* | person=?*) ;;
	*)
		echo "bucket-policy.sh: \"$pair\": give worker=KEY, coordinator=KEY or person=KEY" >&2
		exit 2
		;;
	esac
done
for role in worker coordinator person; do
	keys=
	for pair; do
		[ "${pair%%=*}" != "$role" ] || keys="$keys ${pair#*=}"
	done
	[ -z "$keys" ] || jq --arg place "$place" --arg keys "${keys# }" '.Statement[] | del(.Sid) + {
		Principal: {AWS: ($keys | split(" "))},
		Resource: [.Resource[] | if endswith(":BUCKET") then sub("BUCKET"; $place | split("/")[0]) else sub("BUCKET"; $place) end]
	}' "$here/$role.json"
done | jq -cs '{Version: "2012-10-17", Statement: .}' # short: some servers keep no more than 4 KiB
