//! A listener that a slow or silent client cannot wear out: connections are counted, in all and by
//! address, and one that makes the server wait too long between two of its answers is closed.
//!
//! The limit runs from the last byte written, not from the last byte read, so that a header
//! dripping in byte by byte gains nothing.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::serve::Listener;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Sleep;

use super::shares::{Share, Shares};

/// Most connections at once; a further client waits in the system's queue.
const MOST_CONNECTIONS: usize = 256;
/// Most of them from one address; one more is closed at once.
const MOST_OF_ONE: usize = 192;
/// Longest silence of the server that a connection may cause.
pub(super) const PATIENCE: Duration = Duration::from_secs(30);

/// Accepts at most [`MOST_CONNECTIONS`] at once.
pub(super) struct GuardedListener {
    listener: TcpListener,
    room: Arc<Semaphore>,
    shares: Arc<Shares>,
    patience: Duration,
}

impl GuardedListener {
    pub(super) fn new(listener: TcpListener, patience: Duration) -> Self {
        Self {
            listener,
            room: Arc::new(Semaphore::new(MOST_CONNECTIONS)),
            shares: Shares::new(MOST_OF_ONE),
            patience,
        }
    }
}

impl Listener for GuardedListener {
    type Io = Guarded;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Guarded, SocketAddr) {
        loop {
            // The semaphore is never closed; should it be, the connection goes uncounted.
            let permit = Arc::clone(&self.room).acquire_owned().await.ok();
            // Through the trait: it waits where there are no file handles left.
            let (stream, address) = Listener::accept(&mut self.listener).await;
            let Some(share) = self.shares.take(address.ip()) else {
                continue;
            };
            if stream.set_nodelay(true).is_err() {
                continue;
            }
            let guarded = Guarded {
                stream,
                patience: self.patience,
                limit: Box::pin(tokio::time::sleep(self.patience)),
                _counted: (permit, share),
            };
            return (guarded, address);
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A counted connection with a limit on how long it may keep the server waiting.
pub(super) struct Guarded {
    stream: TcpStream,
    patience: Duration,
    limit: Pin<Box<Sleep>>,
    _counted: (Option<OwnedSemaphorePermit>, Share),
}

impl Guarded {
    fn waited_too_long(&mut self, cx: &mut Context<'_>) -> Option<io::Error> {
        self.limit.as_mut().poll(cx).is_ready().then(|| {
            io::Error::new(
                io::ErrorKind::TimedOut,
                "the client kept the server waiting too long",
            )
        })
    }

    fn wrote(&mut self, written: &Poll<io::Result<usize>>) {
        if matches!(written, Poll::Ready(Ok(_))) {
            self.limit = Box::pin(tokio::time::sleep(self.patience));
        }
    }
}

impl AsyncRead for Guarded {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if let Some(error) = self.waited_too_long(cx) {
            return Poll::Ready(Err(error));
        }
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for Guarded {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.wrote(&written);
        if written.is_pending()
            && let Some(error) = self.waited_too_long(cx)
        {
            return Poll::Ready(Err(error));
        }
        written
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(cx, bufs);
        self.wrote(&written);
        if written.is_pending()
            && let Some(error) = self.waited_too_long(cx)
        {
            return Poll::Ready(Err(error));
        }
        written
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
