package pipeline

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"io"
	"sort"
	"strconv"
	"strings"
)

// A Digest is the SHA-256 of some bytes, as 64 lower-case hexadecimal digits.
type Digest string

// DigestOf is the digest of b.
func DigestOf(b []byte) Digest {
	sum := sha256.Sum256(b)
	return Digest(hex.EncodeToString(sum[:]))
}

// DigestReader reads r to its end and returns the digest and the number of bytes.
func DigestReader(r io.Reader) (Digest, int64, error) {
	h := sha256.New()
	n, err := io.Copy(h, r)
	return DigestSum(h), n, err
}

// DigestSum is the digest of what was written to h, which is a SHA-256.
func DigestSum(h hash.Hash) Digest { return Digest(hex.EncodeToString(h.Sum(nil))) }

// Valid tells whether d has the form of a digest. Digests stand in paths and
// subjects, so whatever comes from outside is tested with it first.
func (d Digest) Valid() bool {
	if len(d) != 64 {
		return false
	}
	for _, c := range []byte(d) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

// Short is enough of a digest for a person: the first 10 digits.
func (d Digest) Short() string {
	if len(d) < 10 {
		return string(d)
	}
	return string(d[:10])
}

// Canonical is the one JSON text of v: keys sorted, no spaces, numbers in
// their shortest form (RFC 8785, JSON Canonicalization Scheme). What stands in
// a recipe is digested in this form.
func Canonical(v any) ([]byte, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	var tree any
	if err := dec.Decode(&tree); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if err := writeCanonical(&out, tree); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func writeCanonical(out *bytes.Buffer, v any) error {
	switch v := v.(type) {
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		sort.Strings(keys)
		out.WriteByte('{')
		for i, k := range keys {
			if i > 0 {
				out.WriteByte(',')
			}
			writeString(out, k)
			out.WriteByte(':')
			if err := writeCanonical(out, v[k]); err != nil {
				return err
			}
		}
		out.WriteByte('}')
	case []any:
		out.WriteByte('[')
		for i, e := range v {
			if i > 0 {
				out.WriteByte(',')
			}
			if err := writeCanonical(out, e); err != nil {
				return err
			}
		}
		out.WriteByte(']')
	case string:
		writeString(out, v)
	case json.Number:
		if plainInteger(string(v)) {
			out.WriteString(string(v))
			return nil
		}
		// json.Marshal writes a float64 as ECMAScript does, which is the
		// form RFC 8785 asks for; a parse and a second Marshal brings hand
		// written numbers ("1.0") to the same form.
		f, err := v.Float64()
		if err != nil {
			return fmt.Errorf("number %q: %w", v, err)
		}
		b, err := json.Marshal(f)
		if err != nil {
			return err
		}
		out.Write(b)
	case bool:
		out.WriteString(strconv.FormatBool(v))
	case nil:
		out.WriteString("null")
	}
	return nil
}

// plainInteger tells whether a JSON number is in its shortest form as it
// stands: up to 15 digits, which a float64 holds exactly.
func plainInteger(s string) bool {
	return len(s) <= 15 && !strings.ContainsFunc(s, func(c rune) bool { return c < '0' || c > '9' })
}

func writeString(out *bytes.Buffer, s string) {
	if !strings.ContainsFunc(s, func(c rune) bool { return c < ' ' || c > '~' || c == '"' || c == '\\' }) {
		out.WriteByte('"')
		out.WriteString(s)
		out.WriteByte('"')
		return
	}
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(s) // a string and a buffer: can't fail
	out.Truncate(out.Len() - 1)
}
