//! Asking a running daemon over its HTTP API.

use std::path::PathBuf;
use std::time::Duration;

use serde_json::Value;

/// How the daemon is reached, and who asks.
#[derive(Debug, Clone, clap::Args)]
pub struct ClientArgs {
    /// Where the daemon serves its pages
    #[arg(long, value_name = "URL", default_value = "http://127.0.0.1:8470")]
    pub daemon: String,

    /// Your name, for what needs a person
    #[arg(long, value_name = "NAME")]
    pub user: Option<String>,

    /// File that holds your password alone
    #[arg(long, value_name = "FILE")]
    pub password_file: Option<PathBuf>,
}

/// Why the daemon could not be asked, or what it answered.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// The client cannot be made.
    #[error("the question cannot be put: {0}")]
    Setup(String),
    /// No answer.
    #[error(
        "no daemon answers at {url}: {problem}; start one with \"coldledger run\", or name another with --daemon"
    )]
    NoAnswer {
        /// Where.
        url: String,
        /// Why.
        problem: String,
    },
    /// The daemon refused.
    #[error("refused: {problem}. {what_to_do}")]
    Refused {
        /// Why.
        problem: String,
        /// What to do.
        what_to_do: String,
    },
    /// The answer could not be written.
    #[error("the answer could not be written: {0}")]
    Output(String),
}

/// A connection to the daemon's API.
pub struct Client {
    runtime: tokio::runtime::Runtime,
    http: reqwest::Client,
    base: String,
    credentials: Option<(String, String)>,
}

impl Client {
    /// Reads the password, if one is named.
    ///
    /// # Errors
    /// [`ClientError::Setup`].
    pub fn new(args: &ClientArgs) -> Result<Self, ClientError> {
        let setup = |error: &dyn std::fmt::Display| ClientError::Setup(error.to_string());
        let password = match &args.password_file {
            None => String::new(),
            Some(file) => std::fs::read_to_string(file)
                .map_err(|error| {
                    ClientError::Setup(format!("cannot read {}: {error}", file.display()))
                })?
                .trim()
                .to_owned(),
        };
        Ok(Self {
            runtime: tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .map_err(|error| setup(&error))?,
            http: reqwest::Client::builder()
                .redirect(reqwest::redirect::Policy::none())
                .timeout(Duration::from_secs(15))
                .build()
                .map_err(|error| setup(&error))?,
            base: args.daemon.trim_end_matches('/').to_owned(),
            credentials: args.user.clone().map(|user| (user, password)),
        })
    }

    /// Whether the daemon is live, and its words.
    ///
    /// # Errors
    /// [`ClientError::NoAnswer`].
    pub fn healthz(&self) -> Result<(bool, String), ClientError> {
        let (status, body) = self.send(self.http.get(self.url("/healthz")))?;
        Ok((status == 200, body))
    }

    /// A JSON document.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn get(&self, path: &str) -> Result<Value, ClientError> {
        let answer = self.send(self.http.get(self.url(path)))?;
        parse(answer)
    }

    /// Sends a form as the named person.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn post(&self, path: &str, form: &[(&str, &str)]) -> Result<Value, ClientError> {
        let mut request = self.http.post(self.url(path)).form(form);
        if let Some((user, password)) = &self.credentials {
            request = request.basic_auth(user, Some(password));
        }
        let answer = self.send(request)?;
        parse(answer)
    }

    fn url(&self, path: &str) -> String {
        format!("{}{path}", self.base)
    }

    fn send(&self, request: reqwest::RequestBuilder) -> Result<(u16, String), ClientError> {
        self.runtime
            .block_on(async {
                let response = request.send().await?;
                let status = response.status().as_u16();
                Ok((status, response.text().await?))
            })
            .map_err(|error: reqwest::Error| ClientError::NoAnswer {
                url: self.base.clone(),
                problem: error.to_string(),
            })
    }
}

fn parse((status, body): (u16, String)) -> Result<Value, ClientError> {
    let value: Value = serde_json::from_str(&body).unwrap_or(Value::Null);
    if (200..300).contains(&status) {
        return Ok(value);
    }
    let text = |key: &str| Some(value.get(key)?.as_str()?.to_owned());
    Err(ClientError::Refused {
        problem: text("problem").unwrap_or_else(|| format!("the daemon answered {status}")),
        what_to_do: text("what_to_do").unwrap_or_default(),
    })
}
