# The programs of an installation. The image of the build stays behind: what runs has no toolchain.
FROM rust:1.95-bookworm AS build
WORKDIR /source
COPY . .
RUN cargo build --release --locked -p crossfoot -p crossfoot-worker

FROM debian:bookworm-slim
RUN groupadd --system --gid 10001 crossfoot \
    && useradd --system --uid 10001 --gid 10001 --home-dir /data --shell /usr/sbin/nologin crossfoot \
    && install -d -o 10001 -g 10001 -m 0750 /data /drop
COPY --from=build /source/target/release/crossfoot /source/target/release/crossfoot-worker /usr/local/bin/
USER 10001:10001
WORKDIR /data
ENV CROSSFOOT_DATA=/data
VOLUME /data
EXPOSE 8080
STOPSIGNAL SIGTERM
CMD ["crossfoot", "serve", "--address", "0.0.0.0"]
