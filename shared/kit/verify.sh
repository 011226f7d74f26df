#!/bin/sh
# Verifies one webhook of alertd with openssl. The exit status is 0 for a genuine and fresh one, 1 otherwise.
#
#     verify.sh SECRET_FILE WEBHOOK_ID WEBHOOK_TIMESTAMP WEBHOOK_SIGNATURE < body
#
# As a CGI script, with the file of secrets in ALERTD_SECRET_FILE, it takes the headers from the web server, stores the
# body once as $ALERTD_FOLDER/ID.json, and answers.
set -u

hex_of() { od -An -v -tx1 | tr -d ' \n'; }

# Compares HMACs of both texts under a random key: the time of the comparison tells nothing about the right one.
same() {
    key=$(openssl rand -hex 32)
    one=$(printf %s "$1" | openssl dgst -sha256 -mac HMAC -macopt "hexkey:$key" -r)
    two=$(printf %s "$2" | openssl dgst -sha256 -mac HMAC -macopt "hexkey:$key" -r)
    [ "$one" = "$two" ]
}

verify() { # SECRET_FILE ID TIMESTAMP SIGNATURES BODY_FILE
    case $3 in '' | *[!0-9]*) return 1 ;; esac
    now=$(date +%s)
    age=$((now - $3))
    [ "$age" -le 300 ] && [ "$age" -ge -300 ] || return 1
    while read -r secret; do
        [ -n "$secret" ] || continue
        key=$(printf %s "${secret#whsec_}" | openssl base64 -d -A | hex_of)
        right=v1,$({ printf '%s.%s.' "$2" "$3"; cat "$5"; } |
            openssl dgst -sha256 -mac HMAC -macopt "hexkey:$key" -binary | openssl base64 -A)
        for given in $4; do
            same "$given" "$right" && return 0
        done
    done < "$1"
    return 1
}

answer() {
    printf 'Status: %s\r\nContent-Length: 0\r\n\r\n' "$1"
    exit 0
}

body=$(mktemp)
trap 'rm -f "$body"' EXIT
set -f

if [ -n "${GATEWAY_INTERFACE:-}" ]; then
    [ "${REQUEST_METHOD:-}" = POST ] || answer '405 Method Not Allowed'
    case ${CONTENT_LENGTH:-} in '' | *[!0-9]*) answer '411 Length Required' ;; esac
    [ "$CONTENT_LENGTH" -le 65536 ] || answer '413 Content Too Large'
    head -c "$CONTENT_LENGTH" > "$body"
    verify "$ALERTD_SECRET_FILE" "${HTTP_WEBHOOK_ID:-}" "${HTTP_WEBHOOK_TIMESTAMP:-}" \
        "${HTTP_WEBHOOK_SIGNATURE:-}" "$body" || answer '401 Unauthorized'
    name=$(printf %s "$HTTP_WEBHOOK_ID" | openssl dgst -sha256 -r | cut -c1-32)
    # ln fails where the name exists: an event that comes twice is stored once.
    cp "$body" "$ALERTD_FOLDER/.$name.$$" && { ln "$ALERTD_FOLDER/.$name.$$" "$ALERTD_FOLDER/$name.json" 2> /dev/null || true; }
    rm -f "$ALERTD_FOLDER/.$name.$$"
    answer '204 No Content'
fi

[ $# -eq 4 ] || { echo "usage: verify.sh SECRET_FILE ID TIMESTAMP SIGNATURE < body" >&2; exit 2; }
cat > "$body"
verify "$1" "$2" "$3" "$4" "$body"
