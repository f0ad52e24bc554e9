package intake

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/split"
)

const (
	// gainDB is how far a file's speech may stand off the others of its
	// narrator: common practice; a preamp's click stop is 3 to 6 dB, and one
	// reader's chapters lie within 3.
	gainDB = 4.0
	// floorDB is how far the floor must have moved along for it to be a gain.
	floorDB = gainDB / 2
	// lowestHz is the lowest rate whose files need no question: below it the
	// esses are cut off.
	lowestHz = 32000
)

// remark says what is odd, most urgent first.
func (a *Answer) remark(title pipeline.Title, files []string, known map[string]bool) {
	for _, f := range a.Files {
		if f.Fault != "" {
			a.say(f.Path, Unusable, f.Fault, "")
		}
	}
	for _, f := range title.Findings {
		switch f.Check {
		case "numbering":
			a.say("", Numbering, f.Do, "")
		case pipeline.StrayNoteCheck:
			a.say("", Note, f.Measured, f.Do)
		case pipeline.TextCheck:
			a.say("", Text, f.Measured, f.Do)
		}
	}
	for _, file := range slices.SortedFunc(slices.Values(files), split.Natural) {
		if split.Audio(file) && !known[file] {
			a.say(file, Unlisted, "lies in the folder and is no part of the title", "list it in title.yaml, or take it away")
		}
	}
	for _, f := range a.Files {
		a.format(f)
	}
	for _, f := range a.Files {
		if f.Heard != nil && len(f.Heard.Clipped) > 0 {
			a.clipping(f)
		}
	}
	a.gains()
}

func (a *Answer) format(f File) {
	if f.Fault != "" {
		return
	}
	for _, n := range f.Notes {
		a.say(f.Path, Format, n, "")
	}
	if f.RateHz < lowestHz {
		a.say(f.Path, Format, fmt.Sprintf("has %g kHz: nothing above %.1f kHz can be in it", float64(f.RateHz)/1000, float64(f.RateHz)/2000), "ask for it at the rate it was recorded at")
	}
}

func (a *Answer) clipping(f File) {
	var at []string
	for i, s := range f.Heard.Clipped {
		if i == 4 {
			at = append(at, "and more")
			break
		}
		at = append(at, clock(s))
	}
	in := " in what was heard"
	if f.Heard.Whole {
		in = ""
	}
	a.say(f.Path, Clipping, fmt.Sprintf("is clipped%s, at %s", in, strings.Join(at, ", ")), "ask for these lines again with less gain, if it is heard")
}

// gains says which files stand off the others of their narrator, setup and
// session. With their floor they are another session's gain; without it they
// are read louder or quieter, or from another distance.
func (a *Answer) gains() {
	voices := map[string][]File{}
	var order []string
	for _, f := range a.Files {
		if f.Heard == nil || f.Role == pipeline.RoleAsset || math.IsInf(float64(f.Heard.Speech), -1) {
			continue
		}
		id := pipeline.SessionID(f.Narrator, f.Setup, f.Session)
		if len(voices[id]) == 0 {
			order = append(order, id)
		}
		voices[id] = append(voices[id], f)
	}
	for _, id := range order {
		for _, off := range standOff(voices[id]) {
			a.say(off.file.Path, Gain, off.text(), off.ask())
		}
	}
}

// An apart is a file whose speech lies speechDB off the others' median, and
// its floor floorDB.
type apart struct {
	file              File
	speechDB, floorDB float64
}

// standOff finds, among files of one voice, those that stand off most of them:
// off the largest of the heaps that their levels make, or the first of two as
// large. There must be three files at least.
func standOff(files []File) (off []apart) {
	if len(files) < 3 {
		return nil
	}
	most := heap(files)
	speech := median(most, func(f File) dsp.DBFS { return f.Heard.Speech })
	floor := median(most, func(f File) dsp.DBFS { return f.Heard.Floor })
	for _, f := range files {
		if d := float64(f.Heard.Speech) - speech; math.Abs(d) > gainDB {
			off = append(off, apart{f, d, float64(f.Heard.Floor) - floor})
		}
	}
	return off
}

func (o apart) isGain() bool {
	return math.Abs(o.floorDB) > floorDB && (o.floorDB > 0) == (o.speechDB > 0)
}

func (o apart) text() string {
	if o.isGain() {
		return fmt.Sprintf("is another session's gain: about %+.0f dB against the others of %s, and its room with it", o.speechDB, voiceOf(o.file))
	}
	return fmt.Sprintf("is about %+.0f dB against the others of %s, and its room is not: read or miked otherwise", o.speechDB, voiceOf(o.file))
}

func (o apart) ask() string {
	if o.isGain() && o.file.Session == "" {
		return "nothing, if it was another day; name its session in title.yaml to be sure"
	}
	return "ask whether it is the right take"
}

func voiceOf(f File) string {
	who := cmp.Or(f.Narrator, "this title")
	if f.Session != "" {
		return f.Session + ", " + who
	}
	return who
}

// heap is the largest part of files whose levels have no gap of half gainDB
// between them.
func heap(files []File) (most []File) {
	sorted := slices.Clone(files)
	slices.SortStableFunc(sorted, func(a, b File) int { return cmp.Compare(a.Heard.Speech, b.Heard.Speech) })
	for from, i := 0, 1; i <= len(sorted); i++ {
		if i < len(sorted) && float64(sorted[i].Heard.Speech-sorted[i-1].Heard.Speech) <= gainDB/2 {
			continue
		}
		h := sorted[from:i]
		if len(h) > len(most) || len(h) == len(most) && slices.ContainsFunc(h, func(f File) bool { return f.Path == files[0].Path }) {
			most = h
		}
		from = i
	}
	return most
}

// median is the middle level, of an even number the mean of the two.
func median(files []File, of func(File) dsp.DBFS) float64 {
	var v []float64
	for _, f := range files {
		v = append(v, float64(of(f)))
	}
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// Versions says which chapters are another recording than a run before had.
// is tells a file's length in bytes and its digest; "" where that is not known
// yet: then only what the length tells is said, and whole is false.
func Versions(before pipeline.Submission, title pipeline.Title, is func(file string) (pipeline.Digest, int64)) (found []Remark, whole bool) {
	had := map[string]pipeline.SourceFile{}
	for _, s := range before.Sources {
		had[s.Path] = s
	}
	then := map[int]pipeline.TitleChapter{}
	for _, ch := range before.Title.Chapters {
		then[ch.Number] = ch
	}
	whole = true
	for _, ch := range title.Chapters {
		old, there := then[ch.Number]
		if !there {
			found = append(found, Remark{About: Version, Text: fmt.Sprintf("chapter %d, %s, is new", ch.Number, ch.Name)})
			continue
		}
		for i, p := range ch.Parts {
			d, n := is(p.File)
			if n < 0 {
				continue // it is not there: said before
			}
			var was pipeline.SourceFile
			if i < len(old.Parts) {
				was = had[old.Parts[i].File]
			}
			switch {
			case was.Blob == "" || was.Bytes != n || d != "" && d != was.Blob:
				found = append(found, Remark{File: p.File, About: Version, Text: fmt.Sprintf("is a new version of chapter %d, %s", ch.Number, ch.Name)})
			case d == "":
				whole = false
			}
		}
	}
	return found, whole
}

// Twice says which files hold the same bytes.
func Twice(sources []pipeline.SourceFile) (found []Remark) {
	first := map[pipeline.Digest]string{}
	for _, s := range sources {
		if f, twice := first[s.Blob]; twice {
			found = append(found, Remark{File: s.Path, About: Doubled, Text: "is the same recording as " + f, Ask: "ask for the right one, or take it away"})
			continue
		}
		first[s.Blob] = s.Path
	}
	return found
}
