package proxy

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
)

// Body reads what a request stores: its body, taken out of the signed chunks
// that S3 clients may wrap it in (S3 API reference, "Signature
// Calculations for the Authorization Header: Transferring Payload in Multiple
// Chunks"): size in hexadecimal digits, extensions, CR LF, bytes, CR LF.
func Body(r *http.Request, raw []byte) ([]byte, error) {
	if !strings.HasPrefix(r.Header.Get("X-Amz-Content-Sha256"), "STREAMING-") {
		return raw, nil
	}
	in := bufio.NewReader(bytes.NewReader(raw))
	var out []byte
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return nil, fmt.Errorf("signed chunks end in the middle: %w", err)
		}
		digits, _, _ := strings.Cut(strings.TrimSpace(line), ";")
		n, err := strconv.ParseUint(digits, 16, 31)
		if err != nil {
			return nil, fmt.Errorf("a signed chunk has no size: %q", line)
		}
		if n == 0 {
			return out, nil
		}
		chunk := make([]byte, n)
		if _, err := io.ReadFull(in, chunk); err != nil {
			return nil, fmt.Errorf("signed chunks end in the middle: %w", err)
		}
		out = append(out, chunk...)
		if _, err := in.Discard(2); err != nil {
			return nil, fmt.Errorf("signed chunks end in the middle: %w", err)
		}
	}
}
