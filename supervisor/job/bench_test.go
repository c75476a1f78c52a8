package job

import (
	"context"
	"errors"
	"io"
	"testing"

	"beltwarden/supervisor/gcode"
)

func BenchmarkInspect(b *testing.B) {
	b.SetBytes(935291)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Inspect(context.Background(), jobs+"buttons.gcode", upright, nil); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkReader(b *testing.B) {
	p, err := Inspect(context.Background(), jobs+"buttons.gcode", Options{BeltAxis: gcode.Y}, nil)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(p.Body.ToByte - p.Body.FromByte)
	b.ReportAllocs()
	line := make([]byte, 0, 256)
	for b.Loop() {
		r, err := p.Open(Body)
		if err != nil {
			b.Fatal(err)
		}
		for {
			if line, err = r.Next(line[:0]); err != nil {
				break
			}
		}
		if !errors.Is(err, io.EOF) {
			b.Fatal(err)
		}
		r.Close()
	}
}
