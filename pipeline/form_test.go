package pipeline_test

import (
	"encoding/json"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

const digest = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"

// Objects as a house writes them, and the same with one thing in them that
// none would write.
const (
	goodState  = `{"seq":3,"wanted":"000003","standing":"000002","cancelled":""}`
	goodSubmit = `{"house":"Quiet Street","title":{"slug":"low-water","name":"Low Water","rate_hz":44100,"specs":["retail"],"chapters":[{"number":1,"name":"One","parts":[{"file":"01 One.wav","narrator":"otto","setup":"desk"}]}]},` +
		`"narrators":{"otto":{"narrator":"otto","setups":{"desk":{"chain":{"stages":[{"stage":"gain","params":{"gain_db":1}}]}}}}},` +
		`"specs":[{"spec":"retail","sound":{"files":[{"format":"mp3","rate_hz":44100}]},"packaging":{"name":"{number} {chapter}"}}],"sources":[{"path":"01 One.wav","blob":"` + digest + `","bytes":9}]}`
	goodPlan = `{"rate_hz":44100,"chapters":[{"number":1,"name":"One","parts":[{"source":"` + digest + `","path":"01 One.wav","span":{"from":0,"to":9},"voice":{"narrator":"otto","setup":"desk"}}]},{"number":2,"name":"Two","hole":"absent"}],` +
		`"specs":[{"spec":"retail","sound":{"files":[{"format":"mp3","rate_hz":44100}]}}],"standing":{"run":"000002"}}`
	goodOutcome = `{"run":"000003","slug":"low-water","title":"Low Water","house":"Quiet Street","specs":[{"spec":"retail","sound":{"files":[{"format":"mp3","rate_hz":44100}]}}],` +
		`"chapters":[{"number":1,"name":"One","parts":[{"source":"` + digest + `","path":"01 One.wav","span":{"from":0,"to":9}}],"files":[{"spec":"retail","format":{"format":"mp3"},"blob":"` + digest + `","bytes":9}]},{"number":2,"name":"Two","hole":"absent"}]}`
)

func TestForms(t *testing.T) {
	for _, c := range []struct {
		name, good string
		read       func([]byte) error
		bad        []string // old, new, old, new …
	}{
		{"title.json", goodState, form[pipeline.TitleState], []string{
			`"000003"`, `"../../000003"`, `"000003"`, `"3"`, `"000003"`, `"0000003"`, `"000002"`, `"-00002"`, `"cancelled":""`, `"cancelled":"x"`, `"seq":3`, `"seq":-3`,
		}},
		{"submit.json", goodSubmit, form[pipeline.Submission], []string{
			`"low-water"`, `"../x"`, `"low-water"`, `"a/b"`, `"low-water"`, `""`, `"low-water"`, `"Low Water"`, `{"otto":{`, `{"otto/titles":{`, `{"desk":{`, `{"de>sk":{`,
			`"name":"Low Water"`, `"name":"Low\u001b[2J"`, `"Quiet Street"`, `"Quiet\nStreet"`, `"name":"One"`, `"name":"One\u202e"`, `"file":"01 One.wav"`, `"file":"01\nOne.wav"`,
			`"file":"01 One.wav"`, `"file":""`, `"path":"01 One.wav"`, `"path":"\u009b"`, `"narrator":"otto","setup":"desk"`, `"narrator":"ot to","setup":"desk"`, `"rate_hz":44100,"specs"`, `"rate_hz":1,"specs"`,
			`"retail","sound"`, `"../retail","sound"`, `["retail"]`, `["retail/x"]`, `"mp3"`, `"../../mp3"`, `"rate_hz":44100}]`, `"rate_hz":-1}]`, digest, digest[1:], `"bytes":9`, `"bytes":-9`,
			`"number":1`, `"number":-1`, `"number":1`, `"number":1000000`, `"gain_db":1`, `"gain_db":1e999`, `{number} {chapter}`, `{number}\r{chapter}`,
			`[{"file":"01 One.wav","narrator":"otto","setup":"desk"}]`, `[]`,
		}},
		{"plan.json", goodPlan, form[pipeline.Plan], []string{
			digest, "..", `"from":0`, `"from":10`, `"from":0`, `"from":-1`, `"rate_hz":44100,"chapters"`, `"rate_hz":0,"chapters"`, `"hole":"absent"`, `"hole":""`, `"retail"`, `"RETAIL"`,
			`"otto"`, `"*"`, `"desk"`, `"a.>"`, `"run":"000002"`, `"run":"000002/x"`, `"name":"Two"`, `"name":"Two\u2028"`, `"path":"01 One.wav"`, `"path":"\u0000"`,
		}},
		{"close.json", goodOutcome, form[pipeline.Outcome], []string{
			`"run":"000003"`, `"run":""`, `"low-water"`, `"."`, `"slug":"low-water"`, `"slug":"/etc"`, `"format":{"format":"mp3"}`, `"format":{"format":"mp3/../../x"}`, `"spec":"retail","format"`, `"spec":"..","format"`,
			`"blob":"` + digest, `"blob":"`, `"bytes":9`, `"bytes":-1`, `"name":"One"`, `"name":"\u001b]0;x\u0007"`, `"Low Water"`, `"Low\u0085Water"`,
			`"parts":[{"source":"` + digest + `","path":"01 One.wav","span":{"from":0,"to":9}}],`, ``,
		}},
		{"a commit", `{"key":"` + digest + `","files":[{"role":"audio","blob":"` + digest + `"}]}`, form[pipeline.Commit], []string{`"blob":"` + digest, `"blob":"..`}},
	} {
		if err := c.read([]byte(c.good)); err != nil {
			t.Errorf("%s as it is written: %v", c.name, err)
		}
		for i := 0; i < len(c.bad); i += 2 {
			if !strings.Contains(c.good, c.bad[i]) {
				t.Fatalf("%s has no %s", c.name, c.bad[i])
			}
			text := strings.Replace(c.good, c.bad[i], c.bad[i+1], 1)
			if err := c.read([]byte(text)); err == nil {
				t.Errorf("%s with %s for %s is taken", c.name, c.bad[i+1], c.bad[i])
			} else if pipeline.Visible(err.Error()) != err.Error() {
				t.Errorf("%s: the error is not fit for a terminal: %q", c.name, err)
			}
		}
	}
}

// form reads an object as store.ReadJSON does.
func form[T interface{ Check() error }](text []byte) error {
	var v T
	if err := json.Unmarshal(text, &v); err != nil {
		return err
	}
	return v.Check()
}

func TestSplitSessionID(t *testing.T) {
	for _, c := range [][4]string{{"a/b/c", "a", "b", "c"}, {"a//c/d", "a", "", "c/d"}, {"", "", "", ""}, {"a", "a", "", ""}, {"/b", "", "b", ""}} {
		narrator, setup, session := pipeline.SplitSessionID(c[0])
		if got := [4]string{c[0], narrator, setup, session}; got != c {
			t.Errorf("%q is taken apart as %q", c, got)
		}
	}
}
