package app

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/buffer"
	"go.uber.org/zap/zapcore"
	"golang.org/x/time/rate"

	"beltwarden/config"
	"beltwarden/daemon/wording"
)

// Logger returns the daemon's log, which writes to w in the form and from the
// level that the configuration names.
func Logger(c config.Log, w io.Writer) (*zap.Logger, error) {
	level, err := zapcore.ParseLevel(c.Level)
	if err != nil {
		return nil, fmt.Errorf("cannot set up the log: %w", err)
	}
	form := zap.NewProductionEncoderConfig()
	form.TimeKey, form.EncodeTime, form.EncodeDuration = "time", zapcore.RFC3339NanoTimeEncoder, zapcore.StringDurationEncoder
	var encoder zapcore.Encoder
	switch c.Format {
	case "json":
		encoder = zapcore.NewJSONEncoder(form)
	case "console":
		form.EncodeTime, form.EncodeLevel = zapcore.TimeEncoderOfLayout("2006-01-02 15:04:05"), zapcore.CapitalLevelEncoder
		encoder = singleLineEncoder{zapcore.NewConsoleEncoder(form)}
	default:
		return nil, fmt.Errorf("cannot set up the log: format %q is neither json nor console", c.Format)
	}
	return zap.New(zapcore.NewCore(escapingEncoder{encoder}, zapcore.Lock(zapcore.AddSync(w)), level)), nil
}

// escapingEncoder escapes control characters in each entry: names in it come from boards and people, and
// terminals obey such characters.
type escapingEncoder struct{ zapcore.Encoder }

// Clone implements zapcore.Encoder.
func (h escapingEncoder) Clone() zapcore.Encoder { return escapingEncoder{h.Encoder.Clone()} }

// EncodeEntry implements zapcore.Encoder.
func (h escapingEncoder) EncodeEntry(e zapcore.Entry, fields []zapcore.Field) (*buffer.Buffer, error) {
	line, err := h.Encoder.EncodeEntry(e, fields)
	if err == nil {
		text := wording.Escaped(line.String())
		line.Reset()
		line.AppendString(text)
	}
	return line, err
}

// singleLineEncoder keeps a message of the console within its line, and its column: JSON does so by itself.
type singleLineEncoder struct{ zapcore.Encoder }

// Clone implements zapcore.Encoder.
func (o singleLineEncoder) Clone() zapcore.Encoder { return singleLineEncoder{o.Encoder.Clone()} }

// EncodeEntry implements zapcore.Encoder.
func (o singleLineEncoder) EncodeEntry(e zapcore.Entry, fields []zapcore.Field) (*buffer.Buffer, error) {
	e.Message = strings.NewReplacer("\n", `\n`, "\t", `\t`).Replace(e.Message)
	return o.Encoder.EncodeEntry(e, fields)
}

// serverLog receives what the HTTP servers log about broken connections, of which any client can
// cause any number. The first twenty are logged, then one a minute with the number left out.
type serverLog struct {
	log *zap.Logger

	mu      sync.Mutex
	some    rate.Sometimes
	leftOut int
}

func newServerLog(log *zap.Logger) *serverLog {
	return &serverLog{log: log, some: rate.Sometimes{First: 20, Interval: time.Minute}}
}

// Write implements io.Writer. Each call is one line.
func (c *serverLog) Write(line []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.leftOut++
	c.some.Do(func() {
		c.log.Warn(strings.TrimSpace(string(line)), zap.Int("left_out", c.leftOut-1))
		c.leftOut = 0
	})
	return len(line), nil
}
