package memory

import (
	"slices"
	"strings"
)

// tree holds objects as a file system does, so that a list of a few among
// millions is quick. Data is never changed in place.
type tree struct {
	folders map[string]*tree
	objects map[string][]byte
}

type object struct {
	name string
	data []byte
}

func (t *tree) find(name string) ([]byte, bool) {
	for {
		first, rest, deeper := strings.Cut(name, "/")
		if !deeper {
			data, ok := t.objects[name]
			return data, ok
		}
		if t = t.folders[first]; t == nil {
			return nil, false
		}
		name = rest
	}
}

func (t *tree) set(name string, data []byte) {
	first, rest, deeper := strings.Cut(name, "/")
	if !deeper {
		if t.objects == nil {
			t.objects = map[string][]byte{}
		}
		t.objects[name] = data
		return
	}
	if t.folders == nil {
		t.folders = map[string]*tree{}
	}
	if t.folders[first] == nil {
		t.folders[first] = &tree{}
	}
	t.folders[first].set(rest, data)
}

// remove takes folders that are empty then away too.
func (t *tree) remove(name string) {
	first, rest, deeper := strings.Cut(name, "/")
	if !deeper {
		delete(t.objects, name)
		return
	}
	if sub := t.folders[first]; sub != nil {
		sub.remove(rest)
		if len(sub.folders)+len(sub.objects) == 0 {
			delete(t.folders, first)
		}
	}
}

// list adds what starts with prefix, in the byte order of names. path is t's own.
func (t *tree) list(path, prefix string, found *[]object) {
	first, rest, deeper := strings.Cut(prefix, "/")
	if deeper {
		if sub := t.folders[first]; sub != nil {
			sub.list(path+first+"/", rest, found)
		}
		return
	}
	// A folder stands where its name with the slash does.
	var names []string
	for name := range t.folders {
		if strings.HasPrefix(name, first) {
			names = append(names, name+"/")
		}
	}
	for name := range t.objects {
		if strings.HasPrefix(name, first) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		if sub, folder := strings.CutSuffix(name, "/"); folder {
			t.folders[sub].list(path+name, "", found)
		} else {
			*found = append(*found, object{path + name, t.objects[name]})
		}
	}
}
