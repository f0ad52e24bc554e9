package clinic

import "chapterhouse/pipeline/house/strict"

// Say is all that the clinic says of a read: verdict, advice and drafts.
func Say(r *Read, o Order) (Report, error) {
	rep := Report{Read: r, Advice: advise(r), Cautions: cautions()}
	rep.Verdict, rep.Why = Judge(r)
	var err error
	rep.Drafts, err = Drafts(r, o)
	return rep, err
}

// FormDoc says what a form can hold.
func FormDoc() string { return strict.Doc(form{}) }
