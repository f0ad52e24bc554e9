package codec

import (
	"bytes"
	"context"
	"io"
)

// decodeBytes opens b and reads it to its end.
func decodeBytes(b []byte, lim limits) error {
	r, err := openBytes(context.Background(), bytes.NewReader(b), int64(len(b)), "", lim)
	if err != nil {
		return err
	}
	defer r.stream.close()
	ch := make([][]float64, r.info.Channels)
	for c := range ch {
		ch[c] = make([]float64, 1000)
	}
	for {
		if _, err := r.Read(ch); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
	}
}
