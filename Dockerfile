# Browser code comes from its package, checked against the sum in scripts/browser_code.py.
FROM node:22-slim AS browser-code
WORKDIR /build
COPY package.json package-lock.json .npmrc ./
RUN npm ci --omit=dev

FROM python:3.13-slim
ENV PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1 PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1
WORKDIR /app
COPY pyproject.toml constraints.txt ./
COPY api api
COPY web web
COPY migrations migrations
COPY seeds seeds
COPY scripts scripts
COPY --from=browser-code /build/node_modules/htmx.org node_modules/htmx.org
COPY --from=browser-code /build/node_modules/qr node_modules/qr
RUN pip install --constraint constraints.txt --editable '.[postgres,pdf]' \
    && python -m scripts.browser_code --place-only \
    && rm -rf node_modules \
    && useradd --system --uid 10001 --home-dir /data rimaye \
    && install -d -o rimaye -g nogroup /data

USER rimaye
VOLUME /data
# The port is to be published on the host's loopback address only, as docker-compose.yml does: there are no accounts.
ENV RIMAYE_HOST=0.0.0.0 \
    RIMAYE_PUBLISHED_ON_LOOPBACK=true \
    RIMAYE_DATA_DIR=/data \
    RIMAYE_DATABASE_URL=sqlite:////data/rimaye.sqlite3 \
    RIMAYE_LOG_JSON=true
EXPOSE 8017
HEALTHCHECK --interval=10s --timeout=3s --start-period=15s --retries=3 \
    CMD ["python", "-c", "import urllib.request as u; u.urlopen('http://127.0.0.1:8017/readyz', timeout=2)"]
CMD ["sh", "-c", "rimaye migrate && exec rimaye serve"]
