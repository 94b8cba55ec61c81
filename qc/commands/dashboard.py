"""Serving the dashboard: Streamlit under our own uvicorn call."""


def serve(db: str, port: int) -> int:
    """Serve on 127.0.0.1 until interrupted."""
    raise NotImplementedError
