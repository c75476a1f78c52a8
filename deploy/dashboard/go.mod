module beltwarden/deploy/dashboard

go 1.26.0

toolchain go1.26.10

require github.com/grafana/grafana-foundation-sdk/go v0.0.22
