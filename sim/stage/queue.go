package stage

import "time"

// item is something that happens at a time. Items of the same time happen in
// the order in which they were queued.
type item struct {
	at  time.Duration
	seq uint64
	// run carries it out; nil stands for a gauge's sample, by far the most
	// frequent item, which needs no closure.
	run   func()
	actor *actor
	costs bool // it may cost a host what it has taken and not recorded yet
}

// queue is a binary heap of items, earliest first.
type queue struct {
	items []item
	seq   uint64
}

func (q *queue) less(i, j int) bool {
	a, b := &q.items[i], &q.items[j]
	return a.at < b.at || a.at == b.at && a.seq < b.seq
}

func (q *queue) push(it item) {
	q.seq++
	it.seq = q.seq
	q.items = append(q.items, it)
	for i := len(q.items) - 1; i > 0; {
		parent := (i - 1) / 2
		if !q.less(i, parent) {
			break
		}
		q.items[i], q.items[parent] = q.items[parent], q.items[i]
		i = parent
	}
}

func (q *queue) pop() item {
	top := q.items[0]
	last := len(q.items) - 1
	q.items[0] = q.items[last]
	q.items[last] = item{}
	q.items = q.items[:last]
	for i := 0; ; {
		least := i
		for c := 2*i + 1; c <= 2*i+2 && c < last; c++ {
			if q.less(c, least) {
				least = c
			}
		}
		if least == i {
			return top
		}
		q.items[i], q.items[least] = q.items[least], q.items[i]
		i = least
	}
}

func (q *queue) next() (time.Duration, bool) {
	if len(q.items) == 0 {
		return 0, false
	}
	return q.items[0].at, true
}

// first is the next item; nil: there is none.
func (q *queue) first() *item {
	if len(q.items) == 0 {
		return nil
	}
	return &q.items[0]
}
