# Web, worker and beat are the same image with another command (docker-compose.yml).
FROM python:3.11-slim AS packages
ENV PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_CACHE_DIR=1
RUN python -m venv /venv
COPY requirements.txt /tmp/requirements.txt
# The part before the line "tests and checks" is the application.
RUN sed '/^# --- tests and checks/,$d' /tmp/requirements.txt > /tmp/application.txt \
    && /venv/bin/pip install -r /tmp/application.txt

FROM python:3.11-slim
# postgresql-client: manage.py backup and restore; libgl is not needed, OpenCV is the headless build.
RUN apt-get update \
    && apt-get install -y --no-install-recommends postgresql-client \
    && rm -rf /var/lib/apt/lists/* \
    && useradd --system --uid 10001 --home-dir /data --shell /usr/sbin/nologin mullion \
    && install -d -o mullion -g mullion -m 700 /data
COPY --from=packages /venv /venv
COPY --chown=root:root manage.py /app/
COPY --chown=root:root processing /app/processing
COPY --chown=root:root studio /app/studio
COPY --chown=root:root listings /app/listings
COPY --chown=root:root templates /app/templates
WORKDIR /app
ENV PATH=/venv/bin:$PATH PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 DATA_DIR=/data STATIC_ROOT=/tmp/static
USER mullion
VOLUME /data
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=5s --start-period=60s --retries=3 \
    CMD ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8000/health/', timeout=4)"]
CMD ["sh", "-c", "python manage.py migrate --no-input && python manage.py collectstatic --no-input --verbosity 0 && exec python manage.py web --host 0.0.0.0 --port 8000"]
