package store

import (
	"strings"

	"chapterhouse/pipeline"
)

// Blobs is the prefix of all blobs; only Put writes below it.
const Blobs = "blobs/"

// BlobName is where a blob lies. What is no digest gives a name that no blob has.
func BlobName(d pipeline.Digest) string {
	return Blobs + string(d[:min(2, len(d))]) + "/" + string(d)
}

// BlobDigest is the digest that a name claims, false where it is no blob's name.
func BlobDigest(name string) (pipeline.Digest, bool) {
	d := pipeline.Digest(name[strings.LastIndexByte(name, '/')+1:])
	return d, d.Valid() && name == BlobName(d)
}

// Names are limited by what object storage (1,024 bytes for a key) and file
// systems (255 bytes for an element) take everywhere.
const (
	maxName    = 900
	maxElement = 200
)

// CheckName refuses, with kind Bug, a name that some store could not hold:
// names are slash-separated elements of the characters a-z 0-9 . _ -, none of
// which is empty or starts with a dot, at most 200 bytes each and 900 in all.
// No object's name may be another's followed by a slash: a folder can't hold both.
func CheckName(name string) error {
	if len(name) > maxName {
		return pipeline.Errorf(pipeline.Bug, "", "object name of %d bytes is longer than %d", len(name), maxName)
	}
	for element := range strings.SplitSeq(name, "/") {
		if !validElement(element) {
			return pipeline.Errorf(pipeline.Bug, "", "%q is no object name: %q may hold a-z 0-9 . _ - only, must not start with a dot, and has 1 to %d bytes", name, element, maxElement)
		}
	}
	return nil
}

// CheckPrefix is CheckName for List: a prefix may end anywhere in a name.
func CheckPrefix(prefix string) error {
	whole := strings.TrimSuffix(prefix, "/")
	if prefix == "" || whole != "" && CheckName(whole) == nil {
		return nil
	}
	return pipeline.Errorf(pipeline.Bug, "", "%q is the start of no object name", prefix)
}

// CheckSwap refuses what Swap must not take, with kind Bug.
func CheckSwap(name string, data []byte) error {
	if err := CheckName(name); err != nil {
		return err
	}
	if strings.HasPrefix(name, Blobs) {
		return pipeline.Errorf(pipeline.Bug, "", "%s: blobs are written by Put", name)
	}
	if len(data) > MaxObject {
		return pipeline.Errorf(pipeline.Bug, "", "%s: %d bytes are more than an object may have (%d)", name, len(data), MaxObject)
	}
	return nil
}

// CheckDigest refuses, with kind Bug, what is no digest.
func CheckDigest(d pipeline.Digest) error {
	if !d.Valid() {
		return pipeline.Errorf(pipeline.Bug, "", "%.80q is no digest", string(d))
	}
	return nil
}

func validElement(e string) bool {
	if e == "" || e[0] == '.' || len(e) > maxElement {
		return false
	}
	for _, c := range []byte(e) {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '.' && c != '_' && c != '-' {
			return false
		}
	}
	return true
}
