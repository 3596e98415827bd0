//! Where the files of a backlog lie: under `photos/`, by the BLAKE3 hash of
//! their bytes, which is compared whenever one is taken out.

use crate::trouble::{Result, Trouble};
use object_store::path::Path;
use object_store::{ObjectStore, ObjectStoreExt};

/// A folder or a bucket.
pub struct Depot {
    name: String,
    store: Box<dyn ObjectStore>,
    folder: Path,
}

impl Depot {
    /// Opens the depot at an address or a folder's path; the folder is made.
    pub(super) fn open(address: &str) -> Result<Depot> {
        let wrong = |e: Box<dyn std::error::Error + Send + Sync>| {
            Trouble::new(address, "is no depot that could be opened").cause(e).hint(
                "give a folder, file:///FOLDER, or s3://BUCKET/FOLDER with AWS_ACCESS_KEY_ID and the others set",
            )
        };
        let url = if address.contains("://") {
            url::Url::parse(address).map_err(|e| wrong(e.into()))?
        } else {
            std::fs::create_dir_all(address)
                .and_then(|()| std::path::absolute(address))
                .map_err(|e| wrong(e.into()))
                .map(url::Url::from_directory_path)?
                .map_err(|()| wrong("no absolute path".into()))?
        };
        if url.scheme() == "s3" {
            // One provider of cryptography for all; it may be set already.
            let _ = rustls::crypto::ring::default_provider().install_default();
        }
        let settings = std::env::vars().filter(|(key, _)| key.starts_with("AWS_"));
        let settings = settings.map(|(key, value)| (key.to_lowercase(), value));
        let (store, folder) = object_store::parse_url_opts(&url, settings).map_err(|e| wrong(e.into()))?;
        Ok(Depot { name: address.to_owned(), store, folder })
    }

    fn place(&self, hash: &str) -> Path {
        let start = hash.get(..2).unwrap_or_default();
        self.folder.clone().join("photos").join(start).join(hash)
    }

    fn failed(&self, hash: &str, what: &str, e: object_store::Error) -> Trouble {
        Trouble::new(format!("{}, photograph {hash}", self.name), what)
            .cause(e)
            .hint("see whether the depot can be reached and written to, then do the same again")
    }

    /// Puts a file in; the same one again changes nothing.
    pub(super) async fn put(&self, hash: &str, bytes: Vec<u8>) -> Result<()> {
        let stored = self.store.put(&self.place(hash), bytes.into()).await;
        stored.map(|_| ()).map_err(|e| self.failed(hash, "cannot be put into the depot", e))
    }

    /// Whether a file of `length` bytes lies there.
    pub(super) async fn has(&self, hash: &str, length: usize) -> Result<bool> {
        match self.store.head(&self.place(hash)).await {
            Ok(meta) => Ok(meta.size == length as u64),
            Err(object_store::Error::NotFound { .. }) => Ok(false),
            Err(e) => Err(self.failed(hash, "cannot be looked for in the depot", e)),
        }
    }

    /// Takes a copy out.
    ///
    /// # Errors
    /// Where it is missing, cannot be reached, or is not what was put in.
    pub async fn get(&self, hash: &str) -> Result<Vec<u8>> {
        let failed = |e| self.failed(hash, "cannot be taken from the depot", e);
        let got = self.store.get(&self.place(hash)).await;
        if let Err(e @ object_store::Error::NotFound { .. }) = got {
            let missing = Trouble::new(format!("{}, photograph {hash}", self.name), "is not in the depot");
            return Err(missing.cause(e).hint("send the original again"));
        }
        let got = got.map_err(failed)?;
        let bytes = got.bytes().await.map_err(failed)?;
        if blake3::hash(&bytes).to_hex().as_str() != hash {
            return Err(Trouble::new(
                format!("{}, photograph {hash}", self.name),
                "was changed in the depot: its bytes have another hash",
            )
            .hint("send the original again: it takes the place of this copy"));
        }
        Ok(bytes.into())
    }
}
