package speech

import (
	"strings"

	"chapterhouse/testdata/voices/exact"
)

// Prose is a narration without end: sentences put together from invented
// pieces, so that hours of it hold no passage twice. One in sixty is
// whispered and one in ninety shouted when Range is set.
type Prose struct {
	Random *exact.Random
	Range  bool
}

var templates = []string{
	"$who $did $where.",
	"$when, $who $did $where, and $who $did $where.",
	"The $adj $thing $stood $where, $adj and $adj as the $thing.",
	"$who $did without a word, because the $thing $stood $where.",
	"If the $thing $stood any longer, $who would have to $act the $thing.",
	"\"$say,\" said $who, and $did $where.",
	"Nobody in $place remembered who had left the $adj $thing $where.",
	"$when the $thing was $adj again, and $who $did $where.",
	"It was $number $unit before $who $did, and by then the $thing $stood $where.",
	"Had $who $done the $thing, or was it only the $thing that $stood $where?",
	"$who took the $thing, the $thing and the $adj $thing, and $did $where.",
	"There were $number $thing_s $where, each as $adj as the last.",
	"What $who wanted was a $adj $thing, not this $adj $thing.",
	"Between $place and $place the $thing $stood $where for $number $unit.",
}

var loud = []string{"Leave the $thing!", "The $thing is loose!", "Run for the $thing!", "Stop, $who, stop!", "Every hand to the $thing!"}

var soft = []string{"Don't wake the $thing.", "$who must not know about the $thing.", "I saw the $thing $where.", "Keep still, the $thing is $where."}

var pieces = map[string]string{
	"who":     "the ferryman|old Hesk|Mira|the baker's sister|the clerk|her brother|Dunnet|the girl with the lamp|the surveyor|Aunt Perrin|the tall sailor|no one|the lock keeper|Joss|the schoolmaster|a stranger|the widow Cray|the cooper",
	"did":     "turned back|waited|counted the steps|laughed|shut the gate|listened for the bell|sat down|folded the letter|lit the stove|walked faster|looked away|began to sing|lost the thread|said nothing|asked for bread|carried the basket|swept the yard|hid the key|measured the plank|closed both eyes",
	"done":    "moved|hidden|sold|mended|painted|broken|forgotten|drowned|weighed|followed",
	"where":   "behind the mill|under the bridge|at the edge of the marsh|beside the stove|on the north stair|by the harbour wall|in the long grass|above the chandler's shop|across the square|near the third milestone|beneath the pear tree|at the foot of the cliff|in the empty chapel|along the towpath|on the far bank|between two barrels|at the top of the lane|outside the customs house",
	"when":    "That evening|Before the tide turned|Long after supper|In the first week of frost|On market day|When the rain had passed|Twice that winter|Toward morning|After the second bell|Some time in spring|All through the harvest|Once the lamps were lit",
	"thing":   "kettle|rope|ladder|mule|ledger|lantern|window|clock|barge|oar|fiddle|orchard|chimney|salt pan|cart|signpost|cellar|dog|bell|map|coat|saddle|weather vane|stove|pump|sail|hedge|chest|anvil|mirror|teapot|wheel",
	"thing_s": "kettles|ropes|ladders|ledgers|lanterns|windows|clocks|barges|oars|maps|coats|saddles|chests|mirrors|wheels|baskets|stones|jars",
	"adj":     "cold|narrow|silver|patient|crooked|quiet|heavy|green|hollow|brittle|yellow|slow|useless|clean|rusty|sharp|soft|enormous|plain|stubborn|distant|wet|splendid|ragged|dusty|secret",
	"stood":   "stood|lay|hung|waited|leaned|shone|rested|rotted|rattled|sank",
	"act":     "sell|mend|follow|paint|carry|burn|wash|empty|raise|bury|polish|lend",
	"say":     "We should have gone by the shore|That's no weather for fishing|Someone has been at the flour|You owe me for the glass|It is only the wind|I never learned to swim|The road is closed past the quarry|Leave the light on",
	"place":   "Harrow Sound|Little Ember|the upper town|Saltmarket|the valley|Oster|the lower fields|Quench|the old quarter|Fennimore Street",
	"number":  "two|three|four|five|seven|eleven|a dozen|twenty|forty",
	"unit":    "minutes|days|winters|hours|nights|weeks|seasons",
}

// Next is another sentence. It never ends.
func (p *Prose) Next() (Sentence, bool) {
	template, mark := templates[p.Random.Intn(len(templates))], ""
	if p.Range {
		switch n := p.Random.Intn(180); {
		case n < 3:
			template, mark = soft[p.Random.Intn(len(soft))], "[whisper] "
		case n < 5:
			template, mark = loud[p.Random.Intn(len(loud))], "[shout] "
		}
	}
	list, err := ParseScript(mark + p.fill(template))
	if err != nil || len(list) == 0 {
		panic("a built-in sentence does not parse: " + template)
	}
	s := list[0]
	for _, more := range list[1:] { // a full stop within quotes
		s.Text += " " + more.Text
		s.Words = append(s.Words, more.Words...)
	}
	return s, true
}

// fill replaces every $name by one of its pieces.
func (p *Prose) fill(template string) string {
	var out strings.Builder
	for i := 0; i < len(template); {
		if template[i] != '$' {
			out.WriteByte(template[i])
			i++
			continue
		}
		end := i + 1
		for end < len(template) && (template[end] >= 'a' && template[end] <= 'z' || template[end] == '_') {
			end++
		}
		options := strings.Split(pieces[template[i+1:end]], "|")
		out.WriteString(options[p.Random.Intn(len(options))])
		i = end
	}
	return out.String()
}
