package port

// queue holds the frames that the host has not made room for. It drops whole
// frames only; a frame that has begun to leave stays.
type queue struct {
	data  []byte   // what is still to leave
	lens  []int    // of each frame, what is still to leave
	spare struct { // room for them, used again once all has left
		data []byte
		lens []int
	}
	begun  bool // the first frame has begun to leave
	limit  int
	policy Policy
	full   bool // a frame was refused and no Room has been told since
}

func (q *queue) empty() bool { return len(q.data) == 0 }

// push takes a frame if there is room, or makes room by giving up whole frames,
// which it returns.
func (q *queue) push(frame []byte) (ok bool, gaveUp [][]byte) {
	if len(frame) == 0 {
		return true, nil
	}
	if over := len(q.data) + len(frame) - q.limit; over > 0 {
		if q.policy != DropOldest {
			return false, nil
		}
		first, from := 0, 0
		if q.begun {
			first, from = 1, q.lens[0]
		}
		n, to := first, from
		for ; to-from < over && n < len(q.lens); n++ {
			to += q.lens[n]
		}
		if to-from < over {
			return false, nil
		}
		at := from
		for _, k := range q.lens[first:n] {
			gaveUp = append(gaveUp, append([]byte(nil), q.data[at:at+k]...))
			at += k
		}
		q.data = append(q.data[:from], q.data[to:]...)
		q.lens = append(q.lens[:first], q.lens[n:]...)
	}
	q.add(frame)
	return true, gaveUp
}

// offer sends a frame by put, which returns how many bytes it took, if nothing
// waits and there is room, and queues what does not leave. It counts what became
// of the frame and of the frames given up for it, which it returns as events.
func (q *queue) offer(frame []byte, room func(want int) int, put func([]byte) int, stats *Stats) (o Outcome, gaveUp []Event) {
	if len(frame) == 0 {
		return stats.count(Sent, 0), nil
	}
	if q.empty() && room(len(frame)) >= len(frame) {
		switch n := put(frame); n {
		case 0:
		case len(frame):
			return stats.count(Sent, n), nil
		default:
			q.rest(frame[n:])
			stats.Deepest = max(stats.Deepest, len(q.data))
			return stats.count(Queued, len(frame)), nil
		}
	}
	ok, dropped := q.push(frame)
	for _, f := range dropped {
		stats.Queued.Frames--
		stats.Queued.Bytes -= int64(len(f))
		stats.count(DroppedFull, len(f))
		gaveUp = append(gaveUp, Event{Kind: Dropped, Data: f})
	}
	if !ok {
		q.full = true
		return stats.count(DroppedFull, len(frame)), gaveUp
	}
	stats.Deepest = max(stats.Deepest, len(q.data))
	return stats.count(Queued, len(frame)), gaveUp
}

// rest takes what is left of a frame that has begun to leave. It is never
// refused, whatever the limit: half a frame must not be lost. The queue is empty.
func (q *queue) rest(left []byte) {
	q.add(left)
	q.begun = true
}

func (q *queue) add(b []byte) {
	if len(q.lens) == 0 {
		q.data, q.lens = q.spare.data[:0], q.spare.lens[:0]
	}
	q.data = append(q.data, b...)
	q.lens = append(q.lens, len(b))
	if cap(q.data) > cap(q.spare.data) {
		q.spare.data = q.data
	}
	if cap(q.lens) > cap(q.spare.lens) {
		q.spare.lens = q.lens
	}
}

// took notes that the first n bytes of data have left.
func (q *queue) took(n int) {
	q.data = q.data[n:]
	for n > 0 {
		if n < q.lens[0] {
			q.lens[0] -= n
			q.begun = true
			return
		}
		n -= q.lens[0]
		q.lens = q.lens[1:]
		q.begun = false
	}
}

// room says, once after a frame was refused, that there is room again.
func (q *queue) room() []Event {
	if !q.full || len(q.data) > q.limit/2 {
		return nil
	}
	q.full = false
	return []Event{{Kind: Room}}
}

// end is clear at the end of a session, when nobody waits for room any more.
func (q *queue) end() int {
	q.full = false
	return q.clear()
}

// clear forgets what waits and returns how many bytes that was.
func (q *queue) clear() int {
	n := len(q.data)
	q.data, q.lens, q.begun = nil, nil, false
	return n
}
