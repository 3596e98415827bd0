//! Chains the rooms from a photograph to a draft; holds no logic of its own.
