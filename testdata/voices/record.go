package main

import (
	"fmt"
	"os"
	"os/exec"
	"strings"

	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
)

// An order is one file to be made.
type order struct {
	narration.Reading
	bits     int
	resolve  int // bits that the converter resolves
	channels int
}

// write makes the recording, packed where the name asks for it.
func (o order) write(path, labelFile string) error {
	wav := path
	if strings.HasSuffix(path, ".flac") {
		wav = strings.TrimSuffix(path, ".flac") + ".part.wav"
	}
	l, err := o.narrate(wav)
	if err != nil {
		return err
	}
	if wav != path {
		if err := pack(wav, path); err != nil {
			return err
		}
	}
	if labelFile == "" {
		return nil
	}
	return l.Save(labelFile)
}

// narrate makes the recording at path (a WAV file) and returns its labels.
func (o order) narrate(path string) (narration.Labels, error) {
	file, err := createWave(path, o.RateHz, o.bits, o.channels, o.resolve)
	if err != nil {
		return narration.Labels{}, err
	}
	l, err := o.Record(file.write)
	if err != nil {
		file.close()
		os.Remove(path)
		return l, err
	}
	for _, c := range file.clips {
		l.Marks = append(l.Marks, speech.Mark{Kind: "clip", From: c[0], To: c[1]})
	}
	return l, file.close()
}

// pack turns a WAV file into FLAC beside it and removes the WAV.
func pack(wav, flac string) error {
	out, err := exec.Command("flac", "--silent", "--force", "--best", "--output-name="+flac, wav).CombinedOutput()
	if err != nil {
		return fmt.Errorf("flac could not pack %s: %v: %s", wav, err, out)
	}
	return os.Remove(wav)
}
