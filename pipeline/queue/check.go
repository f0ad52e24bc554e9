package queue

import "chapterhouse/pipeline"

// CheckRing refuses, with kind Bug, a ring that could not stand in a subject.
func CheckRing(r Ring) error {
	if err := CheckEngine(r.Engine); err != nil {
		return err
	}
	if r.Class != Rush && r.Class != Overnight {
		return pipeline.Errorf(pipeline.Bug, "", "%.40q is no class of rings", string(r.Class))
	}
	if !r.Key.Valid() {
		return pipeline.Errorf(pipeline.Bug, "", "%.80q is no key", string(r.Key))
	}
	return nil
}

// CheckEngine refuses, with kind Bug, what is no engine's ID.
func CheckEngine(id string) error {
	ok := id != ""
	for _, c := range []byte(id) {
		ok = ok && (c >= 'a' && c <= 'z' || c >= '0' && c <= '9')
	}
	if !ok {
		return pipeline.Errorf(pipeline.Bug, "", "%.40q is no engine: it may hold a-z and 0-9 only", id)
	}
	return nil
}

// Short is the part of an engine's ID that tells engines apart.
func Short(engine string) string { return engine[:min(8, len(engine))] }
