package estimate

// sums are those of a least-squares line. Values are counted from the first of them,
// which keeps the sums small and what is lost of them by rounding with it.
type sums struct {
	n            int
	t0, y0       float64
	t, y, tt, ty float64
}

func (s *sums) add(t, y float64) {
	if s.n == 0 {
		*s = sums{t0: t, y0: y}
	}
	t, y = t-s.t0, y-s.y0
	s.n++
	s.t += t
	s.y += y
	s.tt += float64(t * t) // rounded products: the same bits on every CPU
	s.ty += float64(t * y)
}

// drop takes back a value that was added.
func (s *sums) drop(t, y float64) {
	t, y = t-s.t0, y-s.y0
	s.n--
	s.t -= t
	s.y -= y
	s.tt -= float64(t * t)
	s.ty -= float64(t * y)
}

// line is a straight line: its mean, at time centre, and its slope per second.
type line struct{ mean, centre, slope float64 }

// through is the line through the values; false where fewer than three, or all of one
// moment, make none.
func (s *sums) through() (l line, ok bool) {
	if s.n < 3 {
		return l, false
	}
	part := 1 / float64(s.n)
	t, y := s.t*part, s.y*part
	spread := s.tt - float64(t*s.t)
	if spread <= 0 {
		return l, false
	}
	return line{s.y0 + y, s.t0 + t, (s.ty - float64(t*s.y)) / spread}, true
}

// trend is the line through a window's newest values. Its sums are kept up as values
// come and fall out of the span: at each turn most of them stay, and mostly all. They
// are made anew whenever the window moves its values, so that what rounding adds up to
// stays little.
type trend struct {
	sums
	span, now float64
	from, to  int  // where the values in it begin and end in the window
	moved     uint // the window's, then
	last      line
	ok        bool
}

// of brings the trend up to date with the values not older than span seconds.
func (f *trend) of(w *window, now, span float64) {
	changed := false
	if f.moved != w.moved || f.span != span || now < f.now || f.to < w.from {
		*f = trend{span: span, moved: w.moved, from: w.from, to: w.from}
		changed = true
	}
	f.now = now
	for end := w.from + w.n; f.to < end; f.to++ {
		f.add(w.t[f.to], w.y[f.to])
		changed = true
	}
	for f.from < f.to && (f.from < w.from || w.t[f.from] < now-span) {
		f.drop(w.t[f.from], w.y[f.from])
		f.from++
		changed = true
	}
	if changed {
		f.last, f.ok = f.through()
	}
}

// line is the least-squares line through the values not older than span
// seconds: the mean, taken at time centre, and the slope per second. It needs
// three values that cover half the span.
func (w *window) line(now, span float64) (mean, centre, slope float64, ok bool) {
	return w.trend.line(w, now, span)
}

func (f *trend) line(w *window, now, span float64) (mean, centre, slope float64, ok bool) {
	f.of(w, now, span)
	if !f.ok || now-w.t[f.from] < span/2 {
		return 0, 0, 0, false
	}
	return f.last.mean, f.last.centre, f.last.slope, true
}
