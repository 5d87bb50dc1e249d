package web

import (
	"slices"
	"sync"
	"time"

	"boxd/internal/engine"
)

// copies keeps what was drawn of the newest views, so that each is drawn once
// for all who see the same of it, however many watch.
type copies struct {
	mu   sync.Mutex // watchers come at once
	kept []*oneCopy
}

// copyKey is all that an event depends on but time.
type copyKey struct {
	name, lang string
	us         bool
	may        may
	seq        uint64
	aged       bool // the view is not new: what is drawn says how old it is
}

type oneCopy struct {
	copyKey
	done  chan struct{}
	event []byte
	err   error
}

// copiesKept has room for some views in each language, system and role; copiesOld is
// by how many turns of the core a view must be behind another for nobody to ask for it.
const (
	copiesKept = 64
	copiesOld  = 10
)

// newView is how old a view may be to be drawn without its age.
const newView = 500 * time.Millisecond

func (s visit) copyOf(name string, v engine.View) copyKey {
	return copyKey{name, s.lang, s.show.us, s.may(), v.Seq, s.age(v) > newView}
}

// once gives what draw made the first time that it is asked for. Nobody may change it.
func (k *copies) once(key copyKey, draw func() ([]byte, error)) ([]byte, error) {
	if key.aged {
		return draw()
	}
	k.mu.Lock()
	for _, d := range k.kept {
		if d.copyKey == key {
			k.mu.Unlock()
			<-d.done
			return d.event, d.err
		}
	}
	d := &oneCopy{copyKey: key, done: make(chan struct{}), err: errGone}
	k.kept = slices.DeleteFunc(k.kept, func(o *oneCopy) bool { return o.seq+copiesOld < key.seq })
	if k.kept = append(k.kept, d); len(k.kept) > copiesKept {
		k.kept = slices.Delete(k.kept, 0, 1)
	}
	k.mu.Unlock()
	defer close(d.done) // also when a template panics
	d.event, d.err = draw()
	return d.event, d.err
}
