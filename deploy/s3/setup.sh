#!/bin/sh
# Makes a bucket on a versitygw that runs, a user for each role, and the policy
# that says what they may do. It may be run again: what is there stays, and the
# policy is set anew.
#
#	ROOT_ACCESS_KEY_ID=… ROOT_SECRET_ACCESS_KEY=… \
#	deploy/s3/setup.sh https://storage:7070 BUCKET SECRETS [CA.pem]
#
# SECRETS is a folder with the users' secrets: coordinator.s3, worker.s3, person.s3.
set -eu
here=$(dirname "$0")
endpoint=$1
bucket=$2
secrets=$3
[ $# -lt 4 ] || export SSL_CERT_FILE="$4" CURL_CA_BUNDLE="$4"
export ADMIN_ACCESS_KEY_ID="$ROOT_ACCESS_KEY_ID" ADMIN_SECRET_ACCESS_KEY="$ROOT_SECRET_ACCESS_KEY"

# put PATH BODY: a signed request; prints the status. The keys go to curl by
# its standard input, which no list of processes shows.
put() {
	printf 'user = "%s:%s"\n' "$ROOT_ACCESS_KEY_ID" "$ROOT_SECRET_ACCESS_KEY" |
		curl --config - --silent --retry 10 --retry-connrefused --request PUT --aws-sigv4 "aws:amz:us-east-1:s3" \
			--header "x-amz-content-sha256: $(printf %s "$2" | sha256sum | cut -d' ' -f1)" --data-binary "$2" \
			--output /dev/null --write-out '%{http_code}' "$endpoint/$1"
}

status=$(put "$bucket" "")
case $status in
200 | 409) ;; # it is there
*)
	echo "setup.sh: bucket $bucket can't be made: status $status" >&2
	exit 1
	;;
esac
for role in coordinator worker person; do # the gateway's command takes a secret as an argument only: run this where nobody else does
	versitygw admin --endpoint-url "$endpoint" create-user --access "$role" --secret "$(cat "$secrets/$role.s3")" --role user >/dev/null 2>&1 ||
		versitygw admin --endpoint-url "$endpoint" update-user --access "$role" --secret "$(cat "$secrets/$role.s3")" >/dev/null
done
policy=$("$here/bucket-policy.sh" "$bucket" coordinator=coordinator worker=worker person=person)
status=$(put "$bucket?policy=" "$policy")
case $status in
200 | 204) echo "bucket $bucket is ready" ;;
*)
	echo "setup.sh: the policy of $bucket can't be set: status $status" >&2
	exit 1
	;;
esac
