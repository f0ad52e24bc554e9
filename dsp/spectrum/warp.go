package spectrum

import "math"

// Warp finds where a sequence that is still being read comes from in a longer
// one: subsequence dynamic time warping (Sakoe and Chiba, IEEE Trans. ASSP 26(1),
// 1978, with the steps of slope constraint P = 1 counted by the reader's frames;
// Park and Glass, IEEE Trans. ASLP 16(1), 2008). Rows are the frames of the longer
// one, columns those that are read. A path begins in any row of the first column
// and goes on by
//
//	one row and one column,
//	two rows and one column, the row between left out,
//	one row and two columns, both paid for,
//
// so it runs at 0.5 to 2 rows a column. Its cost is the sum over its cells, one
// for every column.
type Warp struct {
	columns     int
	now         []trail // by row, the columns so far
	before, old []trail // one column less, two less
	last        []float64
}

// A trail is the cheapest path to a cell.
type trail struct {
	sum    float64 // +Inf: none
	from   int32   // its first row
	recent float64 // mean cost of late, over about recentColumns
	worst  float64 // the highest that recent was
}

// recentColumns is over how many columns a stretch of a path is judged.
const recentColumns = 10

// Begin starts anew with so many rows.
func (w *Warp) Begin(rows int) {
	grow := func(t []trail) []trail {
		if cap(t) < rows {
			t = make([]trail, rows)
		}
		t = t[:rows]
		for i := range t {
			t[i].sum = math.Inf(1)
		}
		return t
	}
	w.now, w.before, w.old = grow(w.now), grow(w.before), grow(w.old)
	if cap(w.last) < rows {
		w.last = make([]float64, rows)
	}
	w.last = w.last[:rows]
	w.columns = 0
}

// Columns is the number of columns so far.
func (w *Warp) Columns() int { return w.columns }

// Reaches tells whether a path to a row of the next column is alive: the cost of
// others is not asked for.
func (w *Warp) Reaches(row int) bool {
	if w.columns == 0 {
		return true
	}
	return row >= 1 && (!math.IsInf(w.now[row-1].sum, 1) || !math.IsInf(w.before[row-1].sum, 1)) || row >= 2 && !math.IsInf(w.now[row-2].sum, 1)
}

// Next takes the costs of a column, one for each row, and tells whether any
// path is alive.
func (w *Warp) Next(costs []float64) bool {
	w.old, w.before, w.now = w.before, w.now, w.old
	w.columns++
	alive := false
	for i, c := range costs {
		t := trail{sum: math.Inf(1)}
		switch {
		case math.IsInf(c, 1): // nothing leads there
		case w.columns == 1:
			t = trail{sum: c, from: int32(i), recent: c}
		default:
			if i >= 1 {
				t = w.before[i-1].on(c)
			}
			if i >= 2 {
				if u := w.before[i-2].on(c); u.sum < t.sum {
					t = u
				}
			}
			if i >= 1 && w.columns > 2 {
				if u := w.old[i-1].on(w.last[i]).on(c); u.sum < t.sum {
					t = u
				}
			}
		}
		w.now[i] = t
		alive = alive || !math.IsInf(t.sum, 1)
	}
	copy(w.last, costs)
	return alive
}

// on is the path a cell further.
func (t trail) on(cost float64) trail {
	t.sum += cost
	t.recent += (cost - t.recent) / recentColumns
	t.worst = max(t.worst, t.recent)
	return t
}

// Prune ends every path whose mean cost is over a limit.
func (w *Warp) Prune(limit float64) {
	most := limit * float64(w.columns)
	for i := range w.now {
		if w.now[i].sum > most {
			w.now[i].sum = math.Inf(1)
		}
	}
}

// At is the cheapest path that ends in a row at the last column: the row that it
// began in, its mean cost for a column (+Inf: there is none), and the highest
// mean that a stretch of about ten columns of it came to.
func (w *Warp) At(row int) (from int, mean, worst float64) {
	t := w.now[row]
	return int(t.from), t.sum / float64(w.columns), t.worst
}
