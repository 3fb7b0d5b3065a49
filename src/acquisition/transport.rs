//! One Modbus TCP connection that hands out only registers which belong to the request.
//!
//! The Modbus library checks transaction, unit and function of a reply, but neither its length nor
//! its time. Both are checked here, and [`Connection::read`] takes the connection along with any
//! failure that could leave an answer on its way: after one, there is nothing to read from again.

use std::fmt;
use std::net::SocketAddr;
use std::time::Duration;

use tokio::net::{TcpSocket, TcpStream, lookup_host};
use tokio::time::timeout;
use tokio_modbus::client::{Client, Context, tcp};
use tokio_modbus::{Error, Request, Response, Slave};

use crate::engine::PollFault;
use crate::plant::poll_plan::MOST_REGISTERS;
use crate::plant::{BlockKey, RegisterTable};

/// A checked request for registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReadRequest {
    table: RegisterTable,
    address: u16,
    words: u16,
}

/// A request that the protocol does not allow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum RequestError {
    /// No registers, or more than one request may read.
    #[error("a request reads 1 to {MOST_REGISTERS} registers, not {words}")]
    Count {
        /// Registers asked for.
        words: u16,
    },
    /// Runs past register 65535.
    #[error("{words} registers from {address} run past the last register, 65535")]
    PastEnd {
        /// First register.
        address: u16,
        /// Registers asked for.
        words: u16,
    },
}

impl ReadRequest {
    /// Checks the request of a block.
    ///
    /// # Errors
    /// When it asks for no registers, for more than 125, or past register 65535.
    pub fn new(block: &BlockKey) -> Result<Self, RequestError> {
        let BlockKey {
            table,
            address,
            words,
            ..
        } = *block;
        if words == 0 || words > MOST_REGISTERS {
            return Err(RequestError::Count { words });
        }
        if u32::from(address) + u32::from(words) > 0x1_0000 {
            return Err(RequestError::PastEnd { address, words });
        }
        Ok(Self {
            table,
            address,
            words,
        })
    }

    fn on_the_wire(self) -> Request<'static> {
        match self.table {
            RegisterTable::Holding => Request::ReadHoldingRegisters(self.address, self.words),
            RegisterTable::Input => Request::ReadInputRegisters(self.address, self.words),
        }
    }

    /// The registers, if the reply is of the same function and exactly as long as asked for.
    fn accept(self, response: Response) -> Result<Vec<u16>, String> {
        let words = match (self.table, response) {
            (RegisterTable::Holding, Response::ReadHoldingRegisters(words))
            | (RegisterTable::Input, Response::ReadInputRegisters(words)) => words,
            (_, other) => {
                return Err(format!(
                    "asked for function {}, answered with function {}",
                    self.table.function(),
                    other.function_code().value()
                ));
            }
        };
        if words.len() == usize::from(self.words) {
            Ok(words)
        } else {
            Err(format!(
                "asked for {} registers, answered with {}",
                self.words,
                words.len()
            ))
        }
    }
}

/// A connection to one unit of a Modbus server, with nothing in flight.
pub struct Connection {
    context: Context,
}

impl fmt::Debug for Connection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Connection")
    }
}

/// Why a connection could not be made, in words for the box-health page.
#[derive(Debug, thiserror::Error)]
pub enum ConnectError {
    /// The host's name has no address.
    #[error("the host name {host} has no address")]
    NoAddress {
        /// As the description names it.
        host: String,
    },
    /// The system's own words.
    #[error("cannot connect: {0}; check address, port, cable and the device's connection limit")]
    System(#[from] std::io::Error),
    /// Neither accepted nor refused.
    #[error("cannot connect: no reply within {} ms; check address, cable and firewall", .0.as_millis())]
    TimedOut(Duration),
}

/// A failed read.
#[derive(Debug)]
pub struct ReadFailure {
    /// What the engine is told.
    pub fault: PollFault,
    /// More words for a person.
    pub detail: String,
    /// The connection, when it is still in step: only a Modbus exception leaves it so.
    pub connection: Option<Connection>,
}

/// Where a device is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// A host name, looked up at every attempt since it may move.
    Host(String, u16),
    /// An address.
    Address(SocketAddr),
}

impl Connection {
    /// Connects, with no delay for small packets and with keep-alive probes, within `limit` in all.
    ///
    /// # Errors
    /// When no address of the host accepts in time.
    pub async fn open(place: &Place, unit: u8, limit: Duration) -> Result<Self, ConnectError> {
        let stream = timeout(limit, open_stream(place))
            .await
            .map_err(|_| ConnectError::TimedOut(limit))??;
        Ok(Self::on(stream, unit))
    }

    /// On a stream that is already connected.
    fn on(stream: TcpStream, unit: u8) -> Self {
        Self {
            context: tcp::attach_slave(stream, Slave(unit)),
        }
    }

    /// Sends one request and waits at most `limit` for its whole answer.
    ///
    /// # Errors
    /// The fault, and the connection only if it can still be used.
    pub async fn read(
        mut self,
        request: ReadRequest,
        limit: Duration,
    ) -> Result<(Self, Vec<u16>), Box<ReadFailure>> {
        let dropped = |fault, detail: String| {
            Box::new(ReadFailure {
                fault,
                detail,
                connection: None,
            })
        };
        match timeout(limit, self.context.call(request.on_the_wire())).await {
            Err(_) => Err(dropped(
                PollFault::TimedOut,
                format!("no whole answer within {} ms", limit.as_millis()),
            )),
            // The kind of a system error is that of some earlier call: only its presence counts.
            Ok(Err(Error::Transport(error))) => Err(dropped(
                PollFault::Broken,
                format!("connection closed or unreadable answer ({error})"),
            )),
            Ok(Err(Error::Protocol(error))) => {
                Err(dropped(PollFault::Mismatch, brief(&error.to_string())))
            }
            Ok(Ok(Err(exception))) => Err(Box::new(ReadFailure {
                fault: PollFault::Exception(exception.into()),
                detail: format!("refused: {exception}"),
                connection: Some(self),
            })),
            Ok(Ok(Ok(response))) => match request.accept(response) {
                Ok(words) => Ok((self, words)),
                Err(detail) => Err(dropped(PollFault::Mismatch, detail)),
            },
        }
    }
}

/// The library's message carries the whole reply; the beginning says enough.
fn brief(text: &str) -> String {
    text.chars().take(160).collect()
}

async fn open_stream(place: &Place) -> Result<TcpStream, ConnectError> {
    let (host, addresses) = match place {
        Place::Address(address) => (String::new(), vec![*address]),
        Place::Host(host, port) => (
            host.clone(),
            lookup_host((host.as_str(), *port)).await?.collect(),
        ),
    };
    let mut last = ConnectError::NoAddress { host };
    for address in addresses {
        match connect(address).await {
            Ok(stream) => return Ok(stream),
            Err(error) => last = ConnectError::System(error),
        }
    }
    Err(last)
}

async fn connect(address: SocketAddr) -> std::io::Result<TcpStream> {
    let socket = match address {
        SocketAddr::V4(_) => TcpSocket::new_v4()?,
        SocketAddr::V6(_) => TcpSocket::new_v6()?,
    };
    socket.set_keepalive(true)?;
    socket.set_nodelay(true)?;
    socket.connect(address).await
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(address: u16, words: u16) -> Result<ReadRequest, RequestError> {
        ReadRequest::new(&BlockKey {
            device: "IO-1".into(),
            table: RegisterTable::Input,
            address,
            words,
        })
    }

    #[test]
    fn requests_stay_within_the_protocol() {
        assert_eq!(request(0, 0), Err(RequestError::Count { words: 0 }));
        assert_eq!(request(0, 126), Err(RequestError::Count { words: 126 }));
        assert!(request(0, 125).is_ok());
        assert!(request(65_535, 1).is_ok());
        assert_eq!(
            request(65_535, 2),
            Err(RequestError::PastEnd {
                address: 65_535,
                words: 2
            })
        );
    }

    #[test]
    fn accepts_only_the_function_and_length_asked_for() {
        let request = request(0, 2).unwrap();
        let input = |words: &[u16]| request.accept(Response::ReadInputRegisters(words.to_vec()));
        assert_eq!(input(&[1, 2]), Ok(vec![1, 2]));
        assert!(input(&[1]).is_err());
        assert!(input(&[1, 2, 3]).is_err());
        assert!(
            request
                .accept(Response::ReadHoldingRegisters(vec![1, 2]))
                .is_err()
        );
    }
}
