package app

import (
	"fmt"
	"io"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"beltwarden/config"
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
		encoder = zapcore.NewConsoleEncoder(form)
	default:
		return nil, fmt.Errorf("cannot set up the log: format %q is neither json nor console", c.Format)
	}
	return zap.New(zapcore.NewCore(encoder, zapcore.Lock(zapcore.AddSync(w)), level)), nil
}
